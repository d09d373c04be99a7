"""Tonnes of shifts, days and months from the history: three totals, the best estimate, why they differ, what creeps."""
