"""What ships was made from the tables as they are, and the command that makes it finds what is not."""

import shutil

import pytest

from hspkit.workshop import chain, pages
from hspkit.workshop.__main__ import main


def test_what_ships_was_made_from_the_tables_as_they_are():
    changed = "; ".join(f"{name}: {', '.join(files)}" for name, files in chain.stale().items())
    assert not changed, f"changed since they were used: {changed}. Run {chain.COMMAND} in the checkout and commit"


@pytest.fixture
def checkout(tmp_path):
    for step in chain.STEPS:
        for name in (*step.inputs, *step.outputs, chain.LEDGER.as_posix()):
            (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(chain.ROOT / name, tmp_path / name)
    return tmp_path


@pytest.mark.parametrize(
    ("table", "steps"),
    [
        ("datasets/miscible_pairs.csv", {"constants", "reconciled"}),
        (
            "datasets/reconciled.csv",
            {"reconciled", "crystals", "page on solids", "page on miscibility", "notebooks"},
        ),  # edited by hand
        ("datasets/viscosity_mixtures.csv", {"viscosity"}),
        ("datasets/carrier_statements.csv", {"page on miscibility"}),
    ],
)
def test_a_change_of_a_table_is_found_and_named(checkout, table, steps):
    with (checkout / table).open("a", encoding="utf-8") as file:
        file.write("one more\n")
    found = chain.stale(checkout)
    assert set(found) == steps
    assert all(files == (table,) for files in found.values())
    chain.record(sorted(steps), checkout)
    assert chain.stale(checkout) == {}


def test_line_ends_are_no_change_and_a_lost_file_is_one(checkout):
    table = checkout / "datasets/miscible_pairs.csv"
    table.write_bytes(table.read_bytes().replace(b"\n", b"\r\n"))
    assert chain.stale(checkout) == {}
    table.unlink()
    assert set(chain.stale(checkout)) == {"constants", "reconciled"}


def test_steps_stand_in_the_order_in_which_they_are_needed():
    """No step reads what a later one writes; every input is in the checkout."""
    for place, step in enumerate(chain.STEPS):
        later = {name for other in chain.STEPS[place + 1 :] for name in other.outputs}
        assert not later & set(step.inputs), step.name
        assert all((chain.ROOT / name).is_file() for name in (*step.inputs, *step.outputs))


def test_status_says_what_is_stale(monkeypatch, capsys):
    assert main(["--status"]) == 0
    monkeypatch.setattr("hspkit.workshop.__main__.stale", lambda: {"reconciled": ("datasets/activities.csv",)})
    assert main(["--status"]) == 1
    assert "reconciled: changed since it ran: datasets/activities.csv" in capsys.readouterr().out


def test_a_step_that_does_not_exist_is_named(capsys):
    with pytest.raises(SystemExit):
        main(["rebuild"])
    assert "no step 'rebuild'; steps: groups, constants, reconciled" in capsys.readouterr().err


def test_blocks_of_a_page_are_printed_anew_and_the_rest_stays():
    page = "Before.\n<!-- begin: python -c 'print(6 * 7)' -->\n```text\nold\n```\n<!-- end -->\nAfter.\n"
    assert pages.refreshed(page) == page.replace("old", "42")
