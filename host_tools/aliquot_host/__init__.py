"""The desk side of Aliquot: the command `aliquot`. Importing this package does nothing at all,
so that `python3 host_tools` can use its bootstrap before anything is installed."""
