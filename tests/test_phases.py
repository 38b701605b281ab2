"""The phase engine against closed forms and invariants."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from hspkit import hansen, phases
from hspkit.errors import ExtrapolationWarning, InputError

# Hansen's handbook values for limonene, water, ethanol (from memory): only the shape of the problem matters here
HSP = np.array([[17.2, 1.8, 4.3], [15.5, 16.0, 42.3], [15.8, 8.8, 19.4]])
VOLUMES = np.array([162.9, 18.0, 58.5])


def test_binary_spinodal_has_its_closed_form():
    """1/(V1 phi1) + 1/(V2 phi2) = 2 a |d1 - d2|^2 on the spinodal (derivable from the free energy)."""
    rng = np.random.default_rng(1)
    for _ in range(50):
        volumes, hsp, phi = rng.uniform(18, 400, 2), rng.uniform(0, 25, (2, 3)), rng.uniform(0.01, 0.99)
        a = phases.interaction_strength(25.0)
        distance = hansen.distance(hsp[0], hsp[1]) ** 2 / 4
        expected = 2 * a * distance / (1 / (volumes[0] * phi) + 1 / (volumes[1] * (1 - phi)))
        assert_allclose(phases.spinodal_index([phi, 1 - phi], volumes, hsp), expected, rtol=1e-10)


def test_25_degrees_is_the_identity_and_warm_mixtures_mix_better():
    f = [0.3, 0.3, 0.4]
    assert phases.spinodal_index(f, VOLUMES, HSP, celsius=25) == phases.spinodal_index(f, VOLUMES, HSP)
    assert phases.binodal_index(f, VOLUMES, HSP, celsius=60) < phases.binodal_index(f, VOLUMES, HSP)


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        (([0.5, 0.6, -0.1], VOLUMES, HSP), "hold -0.1"),
        (([0.5, 0.6, 0.1], VOLUMES, HSP), "sum to 1.2"),
        (([0.5, np.nan, 0.5], VOLUMES, HSP), "nan"),
        (([0.5, 0.5, 0.0], [18, 0, 20], HSP), "volumes hold 0"),
        (([0.5, 0.5], VOLUMES, HSP), "same n"),
        (([0.5, 0.5, 0.0], VOLUMES[:2], HSP), "same n"),
        (([0.5, 0.5, 0.0], VOLUMES, HSP[:, :2]), "delta_d, delta_p, delta_h"),
        (([0.5, 0.5, 0.0], VOLUMES, np.full((3, 3), np.nan)), "hsp holds"),
        ((np.full((4, 3), 1 / 3), VOLUMES, np.ones((5, 3, 3))), "do not broadcast"),
    ],
)
@pytest.mark.parametrize("function", [phases.spinodal_index, phases.stable, phases.split])
def test_bad_input_is_named(function, arguments, match):
    with pytest.raises(InputError, match=match):
        function(*arguments)


def test_temperature_outside_the_range_warns():
    with pytest.warns(ExtrapolationWarning, match="0 to 100"):
        assert np.isfinite(phases.spinodal_index([0.5, 0.5, 0], VOLUMES, HSP, celsius=-20))


def test_one_component_is_always_stable():
    assert phases.stable([1.0], [18.0], [[15.5, 16.0, 42.3]])
    assert phases.spinodal_index([1.0], [18.0], [[15.5, 16.0, 42.3]]) == 0
    assert phases.split([1.0], [18.0], [[15.5, 16.0, 42.3]]).n_phases == 1
    assert phases.stable([0, 1.0, 0], VOLUMES, HSP)


def test_split_balances_and_its_phases_are_stable():
    f = np.random.default_rng(0).dirichlet(np.ones(3), 60)
    result = phases.split(f, VOLUMES, HSP)
    assert result.balance.max() < 1e-10
    assert result.converged.all()
    assert ((result.n_phases == 1) == phases.stable(f, VOLUMES, HSP)).all()
