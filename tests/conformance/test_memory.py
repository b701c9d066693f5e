"""How memory is measured on the VM can be trusted; the figures themselves stand in tests/bench."""

from conformance import memory


def test_the_memory_list_names_every_resident_module_and_what_is_made_of_them(vm, tell):
    rows = memory.heap_kept(vm)
    assert [row.what for row in rows[:-4]] == memory.resident()
    assert [row.what for row in rows[-4:]] == ["set-up", "state", "engine", "a day lived"]
    for row in rows:
        lines = f"{row.lines:5} lines" if row.lines else ""
        tell(f"{row.what:26} {row.kept:6} bytes {row.names:4} names {lines}")
    tell(f"{'heap kept':26} {memory.total(rows):6} bytes")
    # A module of bytecode cannot be free, and each step comes after those it needs.
    assert all(row.kept > 0 for row in rows[:-1])


def test_a_planted_kilobyte_shows_as_a_kilobyte_in_its_own_row(vm):
    module = "aliquot.store.files"
    # Both have the plant, so that only its size differs and no name does.
    small, large = (memory.heap_kept(vm, 2, memory.planted(module, n)) for n in (16, 16 + 1024))
    grown = {b.what: b.kept - a.kept for a, b in zip(small, large, strict=True)}
    assert grown.pop(module) == 1024
    # A larger block shifts what follows: the collector may take a few dead blocks for live.
    assert max(map(abs, grown.values())) <= 128


def test_no_module_imported_on_demand_is_imported_by_a_resident_one():
    demanded = set(memory.on_demand())
    # Design: what is needed once (validation, migration, recovery, snapshots) is dropped again.
    assert {"aliquot.core.validate", "aliquot.core.snapshot", "aliquot.store.recover"} <= demanded
    assert demanded.isdisjoint(memory.resident())
