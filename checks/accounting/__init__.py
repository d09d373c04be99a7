"""Tonnes of shifts, days and months: balances, the way from booked to best, and drift."""
