"""One module a command, imported only when its command runs."""
