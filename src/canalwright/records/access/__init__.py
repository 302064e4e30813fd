"""Who may do what with the records: roles, passwords, sessions, and the audit of every access."""
