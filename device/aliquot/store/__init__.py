"""The journal and the configuration on flash: the only part to open files. It decides nothing."""
