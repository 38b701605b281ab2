"""What may go wrong around the library: huge input, a full disk, a folder one may not write to, a process killed."""

import contextlib
import math
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tracemalloc
from pathlib import Path

import pandas as pd
import pytest

import hspkit
from hspkit import Application, Oil, Substance, Trial, TrialLog, data, files, plotting
from hspkit.__main__ import main
from hspkit.errors import DataFileError, FileAccessError, HspkitError, InputError

resource = pytest.importorskip("resource", reason="limits and signals of this kind are those of POSIX systems")
pytestmark = pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")  # children only write files

ROOT = Path(__file__).resolve().parent.parent
BIG = 10_000_000


@contextlib.contextmanager
def within(seconds, megabytes):
    """Fail when a block takes more time of the processor, or more memory beyond what is there, than stated.

    To follow the memory takes several times the block itself; infinite megabytes are not followed.
    """
    if followed := math.isfinite(megabytes):
        tracemalloc.start()
    start = time.process_time()
    try:
        yield
        took = time.process_time() - start
        peak = tracemalloc.get_traced_memory()[1] / 1e6 if followed else 0.0
    finally:
        tracemalloc.stop()
    assert took < seconds, f"{took:.1f} s, allowed {seconds} s"
    assert peak < megabytes, f"{peak:.0f} MB, allowed {megabytes} MB"


# --- bounds ---


@pytest.mark.parametrize("letter", ["x", "C", "1", "(", "é", " x"])
@pytest.mark.parametrize(
    "ask",
    [
        hspkit.estimate,
        hspkit.substance,
        hspkit.oil,
        hspkit.carrier,
        lambda text: Application(text, "soft drinks", oil_mg_per_L=1),
        lambda text: Application("US", text, oil_mg_per_L=1),
        lambda text: Trial(text, "clear"),
        lambda text: Trial("MCT", text),
        lambda text: hspkit.Blend({text: 1.0}, basis="mass"),
        lambda text: hspkit.dissolve("limonene", f"50 % {text} + 50 % MCT by volume"),
        lambda text: hspkit.batch_sheet("limonene", "MCT", batch=text),
    ],
    ids=[
        "structure",
        "substance",
        "oil",
        "carrier",
        "market",
        "category",
        "trial",
        "outcome",
        "blend",
        "parts",
        "batch",
    ],
)
def test_ten_megabytes_of_text_are_refused_at_once(ask, letter):
    with within(3, 150), pytest.raises(HspkitError):
        ask(letter * (BIG // len(letter)))


def test_ten_megabytes_in_a_column_cost_one_row():
    with within(3, 100):
        frame = hspkit.estimate_many(["CCO", "C" * BIG, "CCC"])
    assert list(frame["status"]) == ["ok", "failed", "ok"]
    assert "10000000 characters" in frame["note"].iloc[1]
    assert len(frame["note"].iloc[1]) < 300


@pytest.mark.parametrize("quote", ["", '"'])
@pytest.mark.parametrize(
    ("header", "read"),
    [
        ("component,percent", Oil.from_csv),
        ("name,smiles", Substance.from_csv),
        ("carrier,outcome", lambda path: TrialLog(path).trials),
        ("carrier,outcome", lambda path: TrialLog(path).append(Trial("MCT", "clear"))),
        ("name,smiles", lambda path: data.parse_table(path.read_text(), "substances.csv")),
    ],
    ids=["oil", "substances", "log", "append", "table"],
)
def test_ten_megabytes_in_a_cell(tmp_path, header, read, quote):
    path = tmp_path / "big.csv"
    path.write_text(f"{header}\n{quote}{'x' * BIG}{quote},limonene\n")
    with within(3, 150), pytest.raises(DataFileError, match=r"(big|substances)\.csv"):
        read(path)


@pytest.mark.parametrize(
    ("header", "read"),
    [
        ("component,percent", Oil.from_csv),
        ("name,smiles", Substance.from_csv),
        ("carrier,outcome", lambda path: TrialLog(path).trials),
        ("carrier,outcome", lambda path: TrialLog(path).append(Trial("MCT", "clear"))),
        ("name,smiles", lambda path: data.parse_table(path.read_text(), "substances.csv")),
    ],
    ids=["oil", "substances", "log", "append", "table"],
)
@pytest.mark.parametrize("heading", ["", "x", "{}"], ids=["empty", "repeated", "different"])
def test_a_header_of_very_many_columns(tmp_path, header, read, heading):
    """Comparing each heading with each took a minute for 0.7 MB."""
    path = tmp_path / "wide.csv"
    path.write_text(",".join([header, *(heading.format(number) for number in range(300_000))]) + "\n")
    with within(3, 150), pytest.raises(DataFileError, match=r"the header has 300002 columns, at most 1000") as error:
        read(path)
    assert len(str(error.value)) < 300


def test_a_header_of_as_many_columns_as_are_taken_names_some_of_the_unknown(tmp_path):
    path = tmp_path / "wide.csv"
    path.write_text(",".join(["name", "smiles", *(f"x{number}" for number in range(998))]) + "\n")
    with pytest.raises(DataFileError, match=r"has unknown 'x0', .*'x9' and 988 more; expected name,") as error:
        Substance.from_csv(path)
    assert len(str(error.value)) < 1000


def test_ten_megabytes_on_the_command_line(tmp_path, capsys):
    path = tmp_path / "big.smi"
    path.write_text("C" * BIG + "\nCCO\n")
    with within(5, 200):
        assert main(["estimate", "--file", str(path)]) == 0
    assert capsys.readouterr().out.splitlines()[2].startswith("CCO,")
    path.write_text('smiles,x\n"' + "C" * BIG)
    with within(5, 200):
        assert main(["estimate", "--file", str(path)]) == 2
    said = capsys.readouterr().err
    assert "row 2" in said
    assert len(said) < 1000


def test_a_file_without_end_is_not_read_to_its_end():
    if not Path("/dev/zero").exists():
        pytest.skip("no /dev/zero on this system")
    with pytest.raises(DataFileError, match="more than 256 MB"):
        Oil.from_csv("/dev/zero")


@pytest.mark.parametrize(
    "smiles", ["C" * 1000, "C1CC1" * 250, "c1ccccc1" * 130, "C(C)" * 500, "C(" * 999 + "C" + ")" * 999]
)
def test_a_molecule_of_a_thousand_atoms_is_refused_at_once(smiles):
    with within(2, 50), pytest.raises(HspkitError, match=r"at most (200|4000) are taken|not readable"):
        hspkit.estimate(smiles)


def test_the_largest_molecules_are_answered_at_once():
    with within(3, 100):
        frame = hspkit.estimate_many(["C" * 200, "C" * 201])
    assert list(frame["status"]) == ["extrapolated", "failed"]


@pytest.mark.parametrize(
    ("rows", "seconds", "megabytes"),
    [pytest.param(100_000, 4, math.inf, marks=pytest.mark.slow), (30_000, 1.2, math.inf), (10_000, math.inf, 20)],
)
def test_a_hundred_thousand_rows(tmp_path, rows, seconds, megabytes):
    """Readers answer, or say at once that no report has so many rows; what they hold grows no faster than the rows."""
    path = tmp_path / "many.csv"
    path.write_text("component,percent\n" + "".join(f"peak {i},0.0009\n" for i in range(rows)))
    with within(seconds, megabytes), pytest.raises(DataFileError, match="row 2002: more than 2000 peaks"):
        Oil.from_csv(path)
    frame = pd.DataFrame({"component": [f"peak {i}" for i in range(rows)], "percent": 0.0009})
    with within(seconds, megabytes), pytest.raises(DataFileError, match="more than 2000 peaks"):
        Oil.from_table(frame)
    path.write_text("name,smiles\n" + "".join(f"s{i},CCO\n" for i in range(rows)))
    with within(2 * seconds, 2.5 * megabytes), pytest.raises(DataFileError, match="at most 2000"):
        Substance.from_csv(path)


@pytest.mark.slow
def test_a_log_of_a_hundred_thousand_rows(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("carrier,outcome,note\n" + "".join(f"MCT,clear,{i}\n" for i in range(100_000)))
    with within(60, 400):
        TrialLog(path).append(Trial("MCT", "splits", note="last"))
        found = TrialLog(path).trials
    assert len(found) == 100_001
    assert found[-1].note == "last"


@pytest.mark.slow
def test_a_hundred_thousand_structures():
    shipped = [row["smiles"] for row in data.read_table("substances.csv").rows if row["name"] != "water"]
    with within(300, 800):
        frame = hspkit.estimate_many((shipped * (100_000 // len(shipped) + 1))[:100_000])
    assert len(frame) == 100_000


def test_processes_asked_for_by_a_slip_are_not_started(monkeypatch):
    started = []
    monkeypatch.setattr("concurrent.futures.ProcessPoolExecutor", lambda jobs: started.append(jobs) or _Serial())
    frame = hspkit.estimate_many(["CCO"] * 40, n_jobs=100_000)
    assert (frame["status"] == "ok").all()
    assert started == [max(2, os.cpu_count() or 1)]


class _Serial(contextlib.nullcontext):
    """Does what a pool does, in this process."""

    def __enter__(self):
        return self

    map = staticmethod(map)


# --- killed in the middle ---


def killed(work, rng, longest=0.04):
    """Run ``work(tell)`` in a child that is killed at a random moment, again and again; yield what each child told."""
    context = multiprocessing.get_context("fork")
    while True:
        ours, theirs = context.Pipe(duplex=False)
        child = context.Process(target=work, args=(theirs.send,))
        child.start()
        assert ours.recv() == "ready"
        time.sleep(rng.uniform(0.0, longest))
        os.kill(child.pid, signal.SIGKILL)
        child.join()
        theirs.close()
        told = []
        with contextlib.suppress(EOFError):
            while True:
                told.append(ours.recv())
        yield told


def test_a_log_keeps_every_row_that_was_acknowledged_when_its_writer_is_killed(tmp_path):
    log = TrialLog(tmp_path / "bench.csv")
    log.append(*[Trial("MCT", "clear", note=f"old {i}") for i in range(500)])
    rounds = 0

    def work(tell):
        tell("ready")
        for number in range(10_000):
            log.append(Trial("MCT", "hazy", note=f"{rounds}-{number}"))
            tell(f"{rounds}-{number}")

    acknowledged, broken_off = [f"old {i}" for i in range(500)], 0
    for told in killed(work, random.Random(1)):
        acknowledged += told
        broken_off += any(one.name.startswith(".draft-") for one in tmp_path.iterdir())
        notes = [one.note for one in log.read()]  # raises when a row is torn
        assert len(set(notes)) == len(notes)
        assert set(acknowledged) <= set(notes)
        assert len(notes) - len(acknowledged) <= rounds + 1  # at most the one that was under way, each time
        rounds += 1
        if rounds >= 300 or (rounds >= 25 and broken_off):
            break
    assert broken_off, "no child was killed while it wrote; the test shows nothing"


def test_a_report_is_whole_or_not_there_when_its_writer_is_killed(tmp_path):
    target = tmp_path / "page.html"
    texts = [letter * 3_000_000 for letter in "ab"]

    def work(tell):
        tell("ready")
        for number in range(10_000):
            files.write_text(target, texts[number % 2])

    broken_off = 0
    for round_, _ in enumerate(killed(work, random.Random(2)), start=1):
        if target.exists():
            assert target.read_text() in texts
        drafts = [one for one in tmp_path.iterdir() if one != target]
        broken_off += bool(drafts)
        for one in [*drafts, *([target] if round_ % 2 and target.exists() else [])]:
            one.unlink()
        if round_ >= 300 or (round_ >= 25 and broken_off):
            break
    assert broken_off, "no child was killed while it wrote; the test shows nothing"


# --- the disk ---


@pytest.fixture(scope="module")
def sheet():
    return hspkit.batch_sheet("limonene", "triacetin")


@pytest.fixture(scope="module")
def ranking():
    return hspkit.rank_carriers("limonene", carriers=["triacetin", "MCT"])


@pytest.fixture(scope="module")
def axes(ranking):
    import matplotlib.pyplot as plt

    yield plotting.ranking(ranking)
    plt.close("all")


def writers(sheet, ranking, axes):
    """Return every way of the library to write a file, by the name of the file."""
    return {
        "log.csv": lambda path: TrialLog(path).append(Trial("MCT", "clear", note="x" * 3000)),
        "sheet.html": sheet.save,
        "sheet.md": sheet.save,
        "sheet.txt": sheet.save,
        "sheet.csv": sheet.save,
        "ranking.html": ranking.to_html,
        "ranking.csv": ranking.to_csv,
        "figure.png": lambda path: plotting.save(axes, path),
        "figure.svg": lambda path: plotting.save(axes, path),
        "figure.pdf": lambda path: plotting.save(axes, path),
    }


NAMES = list(writers(*[type("", (), {"__getattr__": lambda *_: None})()] * 3))


def in_a_child(work):
    """Run ``work`` in a child process and return what it returns, or the error that it raises, in words."""
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe(duplex=False)

    def run():
        try:
            theirs.send(("fine", repr(work())))
        except HspkitError as error:
            theirs.send(("refused", str(error)))
        except BaseException as error:
            theirs.send((type(error).__name__, str(error)))

    child = context.Process(target=run)
    child.start()
    child.join(60)
    assert child.exitcode == 0
    return ours.recv()


def no_larger_than(size):
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


OLD = "carrier,outcome,note\nMCT,hazy,old\n"


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("old", [OLD, None], ids=["replaced", "new"])
def test_when_no_more_bytes_can_be_written_the_old_file_stays(name, old, tmp_path, sheet, ranking, axes):
    target = tmp_path / name
    if old is not None:
        target.write_text(old)
    write = writers(sheet, ranking, axes)[name]

    def work():
        no_larger_than(60)
        write(target)

    ended, said = in_a_child(work)
    assert ended == "refused"
    assert name in said
    assert "File too large" in said
    assert "Make room" in said
    assert (target.read_text() if target.exists() else None) == old
    assert {one.name for one in tmp_path.iterdir()} <= {name, f".{name}.lock"}
    write(target)  # and with room again it is written
    assert target.stat().st_size > 60


@pytest.fixture
def small_disk(tmp_path):
    place = tmp_path / "disk"
    place.mkdir()
    mount = shutil.which("mount")
    made = mount and subprocess.run([mount, "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)], capture_output=True)
    if not made or made.returncode:
        pytest.skip("no disk may be mounted on this system")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_is_full(small_disk, sheet):
    log = TrialLog(small_disk / "bench.csv")
    said = ""
    while not said:
        before = len(log)
        try:
            log.append(Trial("MCT", "clear", note="x" * 1000))
        except DataFileError as error:
            said = str(error)
    assert "bench.csv': No space left on device; the log is as before. Make room" in said
    assert len(log.read()) == before > 10
    page = small_disk / "sheet.html"
    with pytest.raises(FileAccessError, match=r"sheet\.html.*No space left.*unchanged\. Make room"):
        files.write_text(page, "x" * 60_000)
    assert [one.name for one in small_disk.iterdir() if one.suffix == ".html"] == []


@pytest.fixture
def closed_folder():
    """A folder that one may read and not write to; what else it needs is done as a user who is not root."""
    place = Path(tempfile.mkdtemp(prefix="hspkit-closed-"))
    yield place
    place.chmod(0o755)
    shutil.rmtree(place)


@pytest.mark.parametrize("name", NAMES)
def test_a_folder_that_may_not_be_written_to(name, closed_folder, sheet, ranking, axes):
    target = closed_folder / name
    target.write_text(OLD)
    closed_folder.chmod(0o555)
    write = writers(sheet, ranking, axes)[name]

    def work():
        if os.getuid() == 0:
            os.setuid(65534)
        write(target)

    ended, said = in_a_child(work)
    assert ended == "refused"
    assert name in said
    assert "Permission denied" in said
    assert "folder" in said
    assert target.read_text() == OLD


@pytest.mark.parametrize("read", [Oil.from_csv, Substance.from_csv, lambda path: TrialLog(path).trials])
def test_a_file_that_may_not_be_read(read, closed_folder):
    target = closed_folder / "mine.csv"
    target.write_text(OLD)
    target.chmod(0)
    closed_folder.chmod(0o755)

    def work():
        if os.getuid() == 0:
            os.setuid(65534)
        read(target)

    ended, said = in_a_child(work)
    assert ended == "refused"
    assert "cannot read" in said
    assert "mine.csv" in said


@pytest.mark.parametrize("name", ["/dev/null", "/dev/full"])
def test_a_device_is_never_replaced_by_a_file(name, sheet, tmp_path):
    if not Path(name).exists():
        pytest.skip(f"no {name} on this system")
    link = tmp_path / "link.html"
    link.symlink_to(name)
    for write in (lambda: files.check_target(name), lambda: sheet.save(link)):
        with pytest.raises(InputError, match="it is a device"):
            write()
    with pytest.raises(DataFileError, match="it is a device"):
        TrialLog(name).append(Trial("MCT", "clear"))
    assert not Path(name).is_file()


def test_a_name_that_no_file_can_have(sheet, tmp_path):
    for name in ("a\0b.html", "x" * 300 + ".html"):
        with pytest.raises(InputError, match="cannot write"):
            sheet.save(tmp_path / name)
        with pytest.raises(DataFileError, match="cannot read"):
            Oil.from_csv(tmp_path / name)
        with pytest.raises(HspkitError, match="cannot"):
            TrialLog(tmp_path / name).append(Trial("MCT", "clear"))


def test_standard_output_that_is_full():
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full on this system")
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "hspkit", "dilute", "96", "40"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
    assert done.returncode == 2
    assert done.stderr == "hspkit: cannot write the answer: No space left on device; make room and ask again\n"


# --- two at once ---

WRITER = """
import sys
from hspkit import Trial, TrialLog
for number in range(40):
    TrialLog(sys.argv[1]).append(Trial("MCT", "clear", note=f"{sys.argv[2]}-{number}"))
"""


def test_two_programs_write_one_log_while_a_third_reads(tmp_path):
    log = TrialLog(tmp_path / "bench.csv")
    both = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(log.path), who], cwd=ROOT, stderr=subprocess.PIPE)
        for who in "ab"
    ]
    seen, reads = 0, 0
    while any(one.poll() is None for one in both):
        count = len(log.read())  # raises when a row is torn
        assert count >= seen
        seen, reads = count, reads + 1
    assert [one.communicate()[1] for one in both] == [b"", b""]
    assert reads > 5
    assert sorted(one.note for one in log) == sorted(f"{who}-{n}" for who in "ab" for n in range(40))


def test_a_writer_that_hangs_does_not_hang_the_others(tmp_path, monkeypatch):
    fcntl = pytest.importorskip("fcntl")
    log = TrialLog(tmp_path / "bench.csv")
    log.append(Trial("MCT", "clear"))
    before = log.path.read_bytes()
    monkeypatch.setattr("hspkit.trials.log.LOCK_TIMEOUT", 0.05)
    with open(tmp_path / ".bench.csv.lock") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        with pytest.raises(DataFileError, match=r"bench\.csv.*another program.*as before.*append again"):
            log.append(Trial("MCT", "hazy"))
    assert log.path.read_bytes() == before
    log.append(Trial("MCT", "hazy"))
    assert len(log) == 2


def test_two_threads_write_reports_in_one_folder(tmp_path):
    failures = []

    def write(letter):
        try:
            for _ in range(20):
                files.write_text(tmp_path / f"{letter}.html", letter * 200_000)
                assert (tmp_path / f"{letter}.html").read_text() == letter * 200_000
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(letter,)) for letter in "ab"]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert not failures
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.html", "b.html"]


def test_a_log_with_an_open_quotation_mark_is_not_added_to(tmp_path):
    log = TrialLog(tmp_path / "bench.csv")
    log.path.write_text('carrier,outcome,note\nMCT,clear,"not closed\n')
    before = log.path.read_bytes()
    for note in ("", '"', '""', '","', "two\nlines"):  # some of which would close it
        with pytest.raises(DataFileError, match=r"bench\.csv, row 2: a quotation mark is not closed"):
            log.append(Trial("MCT", "hazy", note=note))
    assert log.path.read_bytes() == before


def test_a_blend_of_one_carrier_is_not_drawn_and_says_so(tmp_path, capsys):
    refused = ["--carrier", "propylene glycol", "--carrier", "ethyl acetate", "--market", "Codex/JECFA"]
    use = ["--category", "alcoholic drinks", "--oil-mg-per-l", "0.5", "--figure", str(tmp_path / "path.png")]
    assert main(["blend", "limonene", *refused, *use]) == 2
    assert "there is no blend to draw" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
