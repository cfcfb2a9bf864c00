"""Words, numbers and errors that every other part shares. Imports nothing of the project."""
