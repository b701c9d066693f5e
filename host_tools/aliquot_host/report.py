from pathlib import Path
def may_write(path, kind, force): pass
def write(path, outcome, kind, title): Path(path).write_text("<svg")
