"""Who may do what: accounts, sessions, tokens, and the log of what was done."""
