"""Numbered, dated documents that are never changed, and the chain of hashes that shows it."""
