"""The day a gauge is put in service: how long to count, what to expect, and what a loop check and a calibration give."""
