"""Who may come in: people, passwords, sessions, tokens, the audit list."""
