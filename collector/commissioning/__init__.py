"""Commissioning from the control side: survey of the tags, plan of the day, loop check; nothing here writes to a device."""
