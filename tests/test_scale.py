"""Partitions on a dask cluster of two processes against one process: the same numbers, no row lost, memory bounded."""

import os
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from hspkit import carrier, dissolve, estimate, estimate_many, oil, scale
from hspkit.carriers import Blend, Carrier
from hspkit.errors import HspkitError, InputError

SMILES = [
    "CC(=O)OCC(COC(C)=O)OC(C)=O", "CC1=CCC(CC1)C(C)=C", "not a structure", "CC(O)CO", "[Na+].[Cl-]", "CCOC(=O)CCCCC",
    "COc1cc(C=O)ccc1O", None, "OCC(O)CO", "C[Si](C)(C)C", "CC(C)=CCCC(C)=CC=O",
]  # fmt: skip


@pytest.fixture(scope="module")
def client():
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", host="127.0.0.1"
        ) as cluster,
        distributed.Client(cluster) as found,
    ):
        yield found


@pytest.fixture
def questions():
    """A table with slips of every kind among good rows."""
    rows = {
        "orange": ("sweet orange, cold-pressed", "triacetin", 1, 2, 25),
        "a carrier nobody knows": ("sweet orange, cold-pressed", "moonshine", 1, 2, 25),
        "clove": ("clove, bud", "propylene glycol", 1, 3, 25),
        "an oil nobody knows": ("limonenne oil", "triacetin", 1, 2, 25),
        "no parts": ("clove, bud", "triacetin", 0, 2, 25),
        "parts not filled in": ("clove, bud", "triacetin", np.nan, 2, 25),
        "cold": ("limonene", "glycerol", 1, 2, -5),
        "a boiling one": ("limonene", "glycerol", 1, 2, 900),
        "text in a number": ("limonene", "glycerol", 1, 2, "warm"),
        "nothing": (None, None, None, None, None),
        "a syrup": ("limonene", "gum arabic", 1, 2, 25),
        "last": ("limonene", "glycerol", 1, 2, 25),
    }
    return pd.DataFrame.from_dict(
        rows, orient="index", columns=["oil", "carrier", "oil_parts", "carrier_parts", "celsius"]
    )


def test_an_estimate_does_not_depend_on_its_neighbours():
    """Sums of floats depend on their order: those over known molecules are of numbers that add up exactly in any."""
    each = [text for text in SMILES if text and "Na" not in text]
    many = each * 30
    for method in ("calibrated", "van-krevelen"):
        whole = estimate_many(many, method=method)
        alone = [estimate_many([text], method=method) for text in each] * 30
        pd.testing.assert_frame_equal(pd.concat(alone, ignore_index=True), whole, check_exact=True)
        for size in (7, 65, 128):
            parts = [estimate_many(many[start : start + size], method=method) for start in range(0, len(many), size)]
            pd.testing.assert_frame_equal(pd.concat(parts, ignore_index=True), whole, check_exact=True)
    assert estimate("CC(O)CO").volume == estimate_many(many)["volume"][many.index("CC(O)CO")]


ELSEWHERE = """
import warnings
from hspkit import Trial, dissolve, estimate_many, learn, next_trial
from hspkit.estimation import frames
warnings.simplefilter("ignore")
smiles = %r
for method in ("calibrated", "van-krevelen"):
    whole = estimate_many(smiles, method=method)
    for frames.CHUNK in (1, 7, 300):  # an answer does not depend on its neighbours on this processor either
        assert estimate_many(smiles, method=method).equals(whole), frames.CHUNK
    frames.CHUNK = 4000
    for row in whole.iloc[:, 1:9].to_numpy().tolist():
        print(method, *(float(x).hex() for x in row))
taught = learn("sweet orange, cold-pressed", [Trial("triacetin", "clear"), Trial("propylene glycol", "splits")])
compared = taught.lesson.compare(["benzyl alcohol", "triacetin"])
advice = next_trial("clove, bud", ["propylene glycol", "triacetin"])
moments = ["p_after", "margin_after", "sd_after"]
numbers = [dissolve(taught, "triacetin").p_clear, advice.gain_bits, *compared[moments].to_numpy().ravel()]
print("mixing", *(float(x).hex() for x in numbers))
"""


def _elsewhere(core, threads="1", without=""):
    """Answers of a fresh interpreter whose linear algebra, and whose numpy `without` some instructions, are those of
    another processor; None where this one cannot run them."""
    smiles = [text for text in SMILES if text and "Na" not in text] * 30
    about = {**os.environ, "OPENBLAS_CORETYPE": core, "OPENBLAS_NUM_THREADS": threads, "OMP_NUM_THREADS": threads}
    about |= {"NPY_DISABLE_CPU_FEATURES": without} if without else {}
    command = [sys.executable, "-c", ELSEWHERE % (smiles,)]
    done = subprocess.run(command, capture_output=True, text=True, env=about, check=False)
    if done.returncode == -4:  # SIGILL: instructions that this processor does not know
        return None
    assert done.returncode == 0, f"{core}: {done.stderr}"
    lines = [line.split() for line in done.stdout.splitlines()]
    return {
        kind: np.array([[float.fromhex(x) for x in line[1:]] for line in lines if line[0] == kind])
        for kind in ("calibrated", "van-krevelen", "mixing")
    }


@pytest.mark.slow
def test_answers_do_not_depend_on_the_processor():
    """What is promised: the very bits of an estimate whatever linear algebra is used and with how many threads, ten
    digits of it where logarithms and roots are rounded otherwise, and seven digits of answers on mixing, whose search
    stops when it is close enough. Nothing is printed with more than four."""
    first = _elsewhere("Haswell")
    cores = [("Haswell", "2"), ("Zen", "1"), ("SkylakeX", "1"), ("SkylakeX", "2"), ("Nehalem", "1")]
    found = {f"{core}, {threads} thread(s)": _elsewhere(core, threads) for core, threads in cores}
    assert sum(answers is not None for answers in found.values()) >= 3
    plain = " ".join(np.show_config(mode="dicts")["SIMD Extensions"].get("found", ()))
    found["numpy's plain instructions"] = _elsewhere("Haswell", without=plain)
    for name, answers in found.items():
        for kind in answers or ():
            digits = 1e-7 if kind == "mixing" else 1e-10 if name.startswith("numpy") else 0.0
            np.testing.assert_allclose(answers[kind], first[kind], rtol=digits, err_msg=f"{kind}: {name}")


@pytest.mark.parametrize("npartitions", [1, 3, 50])
def test_estimates_of_partitions_are_those_of_one_process(client, npartitions):
    column = pd.Series(
        SMILES, index=pd.Index([f"row {i}" for i in range(len(SMILES))], name="sample"), name="structure"
    )
    frames = list(scale.estimate_partitions(column, npartitions=npartitions, client=client))
    assert len(frames) == min(npartitions, len(SMILES))
    whole = estimate_many(column)
    pd.testing.assert_frame_equal(pd.concat(frames), whole, check_exact=True)
    assert whole["status"].value_counts()["failed"] >= 3  # the bad rows are there, each with its reason
    assert (whole.loc[whole["status"] == "failed", "note"] != "").all()


def test_estimates_of_a_frame_a_list_and_another_method(client):
    frame = pd.DataFrame({"id": range(3), "structure": SMILES[:3]}, index=[7, 7, 9])
    (found,) = scale.estimate_partitions(frame, column="structure", client=client, method="van-krevelen")
    pd.testing.assert_frame_equal(found, estimate_many(frame["structure"], method="van-krevelen"), check_exact=True)
    (found,) = scale.estimate_partitions(iter(SMILES[:2]))  # the client that is there
    assert found["smiles"].tolist() == SMILES[:2]
    (empty,) = scale.estimate_partitions([], client=client)
    assert list(empty.columns) == list(found.columns)
    assert len(empty) == 0


def test_questions_keep_their_index_and_bad_ones_their_reason(questions):
    before = questions.copy()
    answers = scale.dissolve_many(questions)
    pd.testing.assert_frame_equal(questions, before)
    assert list(answers.index) == list(questions.index)
    good = ["orange", "clove", "cold", "last"]
    assert list(answers.index[answers["status"] != "failed"]) == good
    assert answers["status"]["cold"] == "extrapolated"
    assert "0 to 100" in answers["note"]["cold"]
    for row in good:
        asked = questions.loc[row]
        with pytest.warns() if row == "cold" else _nothing():
            expected = dissolve(
                asked["oil"],
                asked["carrier"],
                oil_parts=asked["oil_parts"],
                carrier_parts=asked["carrier_parts"],
                celsius=asked["celsius"],
            )
        assert answers["verdict"][row] == expected.verdict
        for name in ("p_clear", "max_oil_percent", "water_tolerance_percent"):
            assert answers[name][row] == pytest.approx(getattr(expected, name), rel=0, abs=0, nan_ok=True)
        assert answers["limiting_components"][row] == "; ".join(expected.limiting_components)
    bad = answers[answers["status"] == "failed"]
    assert bad["p_clear"].isna().all()
    assert bad["verdict"].isna().all()
    for row, words in {
        "a carrier nobody knows": "moonshine",
        "an oil nobody knows": "limonenne",
        "no parts": "oil_parts is 0.0",
        "parts not filled in": "oil_parts is nan",
        "a boiling one": "900",
        "text in a number": "celsius is 'warm'",
        "nothing": "expected a name",
        "a syrup": "gum arabic",
    }.items():
        assert words in bad["note"][row], row


class _nothing:
    def __enter__(self):
        return self

    def __exit__(self, *_):
        return False


def test_questions_without_the_other_columns_take_the_defaults_of_dissolve():
    liquids = [carrier("triacetin"), Blend({"triacetin": 0.5, "propylene glycol": 0.5}, basis="volume"), "water"]
    answers = scale.dissolve_many(pd.DataFrame({"oil": [oil("clove, bud")] * 3, "carrier": liquids}))
    expected = [dissolve("clove, bud", liquid) for liquid in liquids]
    assert answers["p_clear"].tolist() == [one.p_clear for one in expected]
    assert answers["carrier_parts"].tolist() == [2.0] * 3
    assert answers["celsius"].tolist() == [25.0] * 3
    assert len(scale.dissolve_many(pd.DataFrame({"oil": [], "carrier": []}))) == 0


def test_answers_of_partitions_are_those_of_one_process(client, questions):
    seen = []
    frames = scale.dissolve_partitions(
        questions, npartitions=5, client=client, random_state=3, progress=lambda done, count: seen.append((done, count))
    )
    found = pd.concat(frames)
    pd.testing.assert_frame_equal(found, scale.dissolve_many(questions, random_state=3), check_exact=True)
    assert seen == [(number, 5) for number in range(1, 6)]


def test_no_more_than_a_few_partitions_are_on_their_way(client):
    """What bounds the memory: a partition is cut and sent when its turn comes, and forgotten when it was read."""
    cut = []

    class Watched(pd.Series):
        @property
        def iloc(self):
            cut.append(len(cut))
            return super().iloc

    column = Watched(["CCO"] * 40)
    frames = scale.estimate_partitions(column, npartitions=20, client=client)
    cut.clear()  # of looking what kind of column it is
    most = scale.AHEAD * 2  # two workers of one thread
    for number, _ in enumerate(frames, start=1):
        assert len(cut) <= number + most
        assert len(client.futures) <= 2 * most  # a partition and its answer
    assert len(cut) == 20


def test_a_dask_collection_stays_where_it_is(client, questions):
    pytest.importorskip("pyarrow")
    import dask.dataframe as dd

    column = pd.Series(["CCO", "CC(O)CO", "what?", "CCOC(C)=O"], index=[3, 1, 4, 1], name="smiles")
    lazy = dd.from_pandas(column, npartitions=2, sort=False)
    frames = list(scale.estimate_partitions(lazy, client=client))
    assert len(frames) == 2
    pd.testing.assert_frame_equal(pd.concat(frames), estimate_many(column), check_exact=True)
    assert len(list(scale.estimate_partitions(lazy.to_frame(), npartitions=1, client=client))) == 1


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda client: scale.estimate_partitions("CCO", client=client), "text 'CCO'"),
        (lambda client: scale.estimate_partitions(["CCO"], client=client, npartitions=0), "npartitions is 0"),
        (lambda client: scale.estimate_partitions(["CCO"], client=client, npartitions=1.5), "npartitions is 1.5"),
        (lambda client: scale.estimate_partitions(["CCO"], client=client, npartitions=True), "npartitions is True"),
        (lambda client: scale.estimate_partitions(["CCO"], client=client, method="guess"), "'guess'"),
        (lambda client: scale.estimate_partitions(["CCO"], client="here"), "client is 'here'"),
        (lambda client: scale.estimate_partitions(pd.DataFrame({"x": ["CCO"]}), client=client), "no column 'smiles'"),
        (lambda client: scale.dissolve_partitions(pd.DataFrame({"oil": ["limonene"]}), client=client), "carrier"),
    ],
)
def test_slips_are_told_before_anything_runs(client, call, words):
    with pytest.raises(InputError, match=words):
        call(client)


def test_a_table_without_its_columns_says_which():
    with pytest.raises(InputError, match="no column oil and no column carrier, but solvent"):
        scale.dissolve_many(pd.DataFrame({"solvent": ["water"]}))
    with pytest.raises(InputError, match="a list"):
        scale.dissolve_many(["limonene"])


def test_without_a_client_it_says_how_to_make_one():
    """In a fresh interpreter: here another test's client may be the current one."""
    pytest.importorskip("distributed")
    code = "from hspkit import scale; scale.estimate_partitions(['CCO'])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "InputError: there is no dask client; make one with distributed.Client" in done.stderr


def test_without_dask_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ImportError, match=r'pip install "hspkit\[dask\]"'):
        scale.estimate_partitions(["CCO"])
    questions = pd.DataFrame({"oil": ["limonene"], "carrier": ["MCT"]})
    with pytest.raises(ImportError, match=r"hspkit\[dask\]"):
        scale.dissolve_partitions(questions)
    assert scale.dissolve_many(questions)["verdict"].tolist() == ["clear"]


def test_other_warnings_are_passed_on_and_faults_of_ours_are_not_hidden(monkeypatch):
    questions = pd.DataFrame({"oil": ["limonene"], "carrier": ["triacetin"]})

    def loud(*_, **__):
        import warnings

        warnings.warn("something else", RuntimeWarning, stacklevel=1)
        message = "it failed"
        raise HspkitError(message)

    monkeypatch.setattr(scale, "dissolve", loud)
    with pytest.warns(RuntimeWarning, match="something else"):
        answers = scale.dissolve_many(questions)
    assert answers["note"].tolist() == ["it failed"]
    monkeypatch.setattr(scale, "dissolve", lambda *_, **__: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        scale.dissolve_many(questions)


def test_what_is_not_for_ingestion_is_refused_in_a_table_of_answers():
    asked = pd.DataFrame({"oil": "cassia", "carrier": ["diethylene glycol", "triacetin", Carrier.of("acetone")]})
    answers = scale.dissolve_many(asked)
    assert answers["status"].tolist() == ["refused", "ok", "ok"]
    assert answers["note"][0].startswith("NOT FOR INGESTION")
    assert answers["note"][2].startswith("acetone: not a listed carrier")
