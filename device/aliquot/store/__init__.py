"""The journal and the configuration on flash: the only part that opens files. It decides nothing."""
