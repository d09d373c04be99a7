"""Laying down a past: whole days before the history, brought in and judged by a child process while the service runs."""
