"""What Tallywire tells the control system: an OPC UA server and a Modbus TCP table of the verdicts, only to be read.

Both run in a child process (`python -P -m collector.publish`): clients of the plant network cannot slow the verification down,
and where the service stalls or dies the child still answers, with Bad. Never wire what is published into a trip: Tallywire is no
safety function.
"""
