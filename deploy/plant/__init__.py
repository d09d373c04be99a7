"""The demo plant: an invented potash export terminal as a process of its own, on real sockets."""
