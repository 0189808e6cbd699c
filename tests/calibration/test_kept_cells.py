"""A grid of cells: each measured once, alone or by several processes."""

from tests.calibration.kept_cells import run_cells

CELLS = [{"bakes": k, "rates": (0.2, 0.5)} for k in (1, 2, 3, 4)]


def run(path, *arguments):
    """Run a grid; the numbers that were measured."""
    measured = []

    def measure(cell, sets, seed):
        measured.append(cell["bakes"])
        return {"sum": cell["bakes"] + sets + seed}

    how = {"about": "Cells.", "sets": 10, "seed": 100, "arguments": arguments}
    run_cells(path, CELLS, measure, **how)
    return measured


def test_cells_shared_by_two_are_those_of_one(tmp_path):
    alone, shared = tmp_path / "alone.json", tmp_path / "shared.json"
    assert run(alone) == [1, 2, 3, 4]
    assert run(shared, "--cells", "3,1") == [4, 2]
    assert run(shared, "--cells", "0,2") == [1, 3]
    assert run(shared, "--merge") == []
    assert shared.read_bytes() == alone.read_bytes()
    assert sorted(tmp_path.iterdir()) == [alone, shared]


def test_what_is_kept_is_not_measured_again(tmp_path):
    path = tmp_path / "kept.json"
    run(path, "--cells", "2")
    assert run(path, "--cells", "2") == []
    run(path, "--merge")
    assert run(path) == [1, 2, 4]
    assert run(path) == []
