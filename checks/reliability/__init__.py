"""How long a loop measured, how often it failed, and whether that gets better: pure arithmetic over intervals."""
