"""Names resolve exactly or not at all; look-alikes are told apart."""

import time

import pytest

from hspkit import data, names
from hspkit.errors import InputError, UnknownNameError
from hspkit.names import NameIndex, check_cas, look_alikes, near_names, normal_form

INDEX = NameIndex(data.read_table("substances.csv").rows)


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        ("limonene", "limonene"),
        ("D-Limonene", "limonene"),
        ("l-limonene", "limonene"),
        ("dl-limonene", "limonene"),
        ("(R)-(+)-Limonene", "limonene"),
        ("(±)-limonene", "limonene"),
        ("limonene, d-", "limonene"),
        ("limonène", "limonene"),
        ("α-Pinene", "alpha-pinene"),
        ("β–pinène", "beta-pinene"),
        ("ß-Pinene", "beta-pinene"),
        ("b-pinene", "beta-pinene"),
        ("ALPHA TERPINEOL", "alpha-terpineol"),
        ("γ-Terpinene", "gamma-terpinene"),
        ("Δ-3-carene", "3-carene"),
        ("para-cymene", "p-cymene"),
        ("(1R,2S,5R)-(-)-menthol", "menthol"),
        ("n-hexane", "hexane"),
        ("1,8-Cineole", "1,8-cineole"),
        ("1.8-cineole", "1,8-cineole"),
        ("eucalyptol", "1,8-cineole"),
        ("trans-anethole", "anethole"),
        ("(E)-Anethole", "anethole"),
        ("cis-anethole", "(Z)-anethole"),
        ("cis-beta-ocimene", "(Z)-beta-ocimene"),
        ("(Z)-hex-3-en-1-ol", "cis-3-hexenol"),
        ("leaf alcohol", "cis-3-hexenol"),
        ("(E,E)-2,4-decadienal", "trans,trans-2,4-decadienal"),
        ("Propylene-Glycol", "propylene glycol"),
        ("PG", "propylene glycol"),
        ("1,2-propanediol", "propylene glycol"),
        ("1,3-propanediol", "1,3-propanediol"),
        ("E 1520", "propylene glycol"),
        ("E1518", "triacetin"),
        ("Glycerin", "glycerol"),
        ("MEK", "2-butanone"),
        ("2-phenyl ethanol", "2-phenylethanol"),
        ("57-55-6", "propylene glycol"),
        ("138-86-3", "limonene"),
        ("5989-54-8", "limonene"),
        (" triacetin ", "triacetin"),
    ],
)
def test_spellings_that_mean_the_same_resolve(given, meant):
    assert INDEX.find(given) == meant


def test_every_shipped_name_and_synonym_resolves_to_its_own_row():
    for row in data.read_table("substances.csv").rows:
        for name in [row["name"], *(row["synonyms"] or "").split(";"), row["cas"]]:
            if name:
                assert INDEX.find(name) == row["name"]


def test_geometry_is_not_lost_where_it_is_listed():
    with pytest.raises(UnknownNameError, match="cinnamaldehyde"):
        INDEX.find("(Z)-cinnamaldehyde")
    with pytest.raises(UnknownNameError, match="cis-3-hexenol"):
        INDEX.find("trans-3-hexenol")
    with pytest.raises(UnknownNameError, match=r"ambiguous.*\(E\)-beta-ocimene, \(Z\)-beta-ocimene"):
        INDEX.find("beta-ocimene")
    assert INDEX.find("trans-nerolidol") == "nerolidol"  # the row stands for both forms


@pytest.mark.parametrize(
    "given", ["propylen glycol", "propyleneglycol", "propylenglycol", "propilene glycol", "glycol"]
)
def test_a_near_miss_between_glycols_is_an_error_that_says_how_they_differ(given):
    with pytest.raises(UnknownNameError) as caught:
        INDEX.find(given)
    message = str(caught.value)
    assert given in message
    assert "propylene glycol (CAS 57-55-6): 1,2-propanediol" in message
    assert "CAS 107-21-1" in message or "CAS 25265-71-8" in message
    assert "POISON" in message or "must not replace propylene glycol" in message


@pytest.mark.parametrize(
    ("given", "both"),
    [
        ("triacetine", ("102-76-1", "25395-31-7")),
        ("triethyl citrat", ("77-93-0", "77-94-1")),
        ("triethylphosphat", ("78-40-0", "126-73-8")),
        ("di ethylene glycol", ("111-46-6", "107-21-1")),
        ("methyleugenole", ("93-15-2", "97-53-0")),
    ],
)
def test_other_look_alikes_are_listed_together(given, both):
    with pytest.raises(UnknownNameError) as caught:
        INDEX.find(given)
    for cas in both:
        assert cas in str(caught.value)


def test_no_spelling_of_propylene_glycol_gives_another_glycol():
    word = "propylene glycol"
    spellings = {word[:i] + word[i + 1 :] for i in range(len(word))}  # a letter lost
    spellings |= {word[:i] + letter + word[i:] for i in range(len(word)) for letter in "aeilno -"}  # one added
    spellings |= {word[:i] + word[i + 1] + word[i] + word[i + 2 :] for i in range(len(word) - 1)}  # two swapped
    for spelling in sorted(spellings):
        try:
            found = INDEX.find(spelling)
        except UnknownNameError:
            continue
        assert found == word, spelling


def test_a_look_alike_that_is_not_shipped_is_never_replaced():
    with pytest.raises(UnknownNameError, match=r"polypropylene glycol \(CAS 25322-69-4\)"):
        INDEX.find("polypropylene glycol")
    assert "glycidol" not in INDEX


def test_near_names_are_suggested_but_never_taken():
    assert INDEX.suggest("limonen")[0] == "limonene"
    with pytest.raises(UnknownNameError, match="near names: linalool"):
        INDEX.find("linalol")
    with pytest.raises(UnknownNameError, match="no substance 'xyzzy'"):
        INDEX.find("xyzzy")
    assert near_names("soft drinnks", ["soft drinks", "dairy"]) == ("soft drinks",)


def test_a_synonym_of_two_rows_lists_both():
    index = NameIndex(
        [{"name": "orange, sweet", "synonyms": "orange"}, {"name": "orange, bitter", "synonyms": "orange"}]
    )
    with pytest.raises(UnknownNameError, match="'Orange' is ambiguous; give one of: orange, bitter, orange, sweet"):
        index.find("Orange")


def test_two_rows_of_one_name_are_refused():
    with pytest.raises(InputError, match="two rows"):
        NameIndex([{"name": "Citral"}, {"name": "citral"}])


@pytest.mark.parametrize("given", ["", "  ", None, 5, ["limonene"]])
def test_what_is_no_name_is_refused(given):
    with pytest.raises(InputError, match="expected a text"):
        INDEX.find(given)


def test_check_digits():
    # 2-chloroethanol, by hand: 7*1 + 0*2 + 7*3 + 0*4 + 1*5 = 33, so the check digit is 3
    assert check_cas("107-07-3") == "107-07-3"
    with pytest.raises(InputError, match="check digit 4 where 3 is due"):
        INDEX.find("107-07-4")
    with pytest.raises(UnknownNameError, match="no substance with CAS number '107-07-3'"):
        INDEX.find("107-07-3")


def test_normal_forms_keep_words_apart():
    assert normal_form("propyleneglycol") != normal_form("propylene glycol")
    assert normal_form("Propylene-glycol") == normal_form("propylene  glycol")


def test_groups_of_look_alikes_have_neighbours():
    groups = [row.group for row in look_alikes()]
    assert all(groups.count(group) >= 2 for group in groups)


def test_a_lookup_costs_microseconds_after_the_first():
    names = [row["name"] for row in data.read_table("substances.csv").rows]
    spelt = [name.upper() for name in names]
    for name in spelt:
        INDEX.find(name)
    start = time.perf_counter()
    for _ in range(20):
        for name in spelt:
            INDEX.find(name)
    each = (time.perf_counter() - start) / (20 * len(spelt))
    assert each < 20e-6  # measured 0.2 microseconds; the limit leaves room for a busy machine


def test_an_index_knows_what_it_holds():
    index = NameIndex(data.read_table("substances.csv").rows)
    assert "limonene" in index
    assert "limonenne" not in index
    assert 5 not in index
    assert "" not in index
    assert len(index) == len(data.read_table("substances.csv").rows)


@pytest.mark.parametrize("given", ["57556", "water", "57-55-6-1"])
def test_what_is_no_cas_number_is_told(given):
    with pytest.raises(InputError, match="is not a CAS number; expected digits as in 57-55-6"):
        check_cas(given)


def test_memory_of_lookups_is_bounded():
    index = NameIndex(data.read_table("substances.csv").rows)
    for number in range(names._REMEMBERED + 10):
        index.find(" " * (number % 99) + "limonene" + " " * (number // 99))
    assert len(index._memo) <= names._REMEMBERED
    assert index.find("limonene") == "limonene"
