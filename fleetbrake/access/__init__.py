"""Who may see and do what: roles, what each may open, and the file that says how people sign in."""
