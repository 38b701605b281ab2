"""A plain tangent-plane search, written without the engine: the yardstick of `test_phases_stability`.

Interaction by pairs, a/2 sum_ij phi_i phi_j Ra_ij^2/4 (no coordinates, no rank), trial phases by successive
substitution of chemical potentials from every pure component, from pairs, from random compositions, and close by.
"""

import numpy as np


def contact_matrix(hsp):
    """Ra^2/4 between all components (b, n, n)."""
    difference = hsp[:, :, None, :] - hsp[:, None, :, :]
    return difference[..., 0] ** 2 + difference[..., 1] ** 2 / 4 + difference[..., 2] ** 2 / 4


def gain_and_cost(trials, phi, volumes, contact):
    """Return what trial phases (b, s, n) gain (at a = 1) and cost against the mixture phi (b, n)."""
    change = trials - phi[:, None, :]
    gain = -0.5 * np.einsum("bsi,bij,bsj->bs", change, contact, change)
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(trials > 0, trials * np.log(trials / np.where(phi > 0, phi, 1.0)[:, None, :]), 0.0)
    return gain, ((logs - change) / volumes[:, None, :]).sum(axis=-1)


def plain_index(phi, volumes, hsp, a, rng, *, steps=60, extra=15):
    """Return the largest gain/cost found (b,): above 1 the mixture is unstable.

    Mixtures of about as many components go together, without the columns that none of them fills.
    """
    filled = phi.shape[1] - (phi[:, ::-1] > 0).argmax(axis=1)
    order = np.argsort(filled, kind="stable")
    best = np.zeros(len(phi))
    for rows in np.array_split(order, max(1, len(phi) // 50)):
        n = filled[rows].max()
        best[rows] = _plain_index(phi[rows, :n], volumes[rows, :n], hsp[rows, :n], a[rows], rng, steps, extra)
    return best


def _plain_index(phi, volumes, hsp, a, rng, steps, extra):
    count, n = phi.shape
    contact = contact_matrix(hsp)
    trials = [np.broadcast_to(np.eye(n), (count, n, n))]
    pairs = np.zeros((count, extra, n))
    for number in range(extra):
        pair = rng.integers(n, size=(2, count))
        pairs[np.arange(count), number, pair[0]] += 0.5
        pairs[np.arange(count), number, pair[1]] += 0.5
    trials += [pairs, rng.dirichlet(np.full(n, 0.3), (count, extra))]
    w = 0.97 * np.concatenate(trials, axis=1) + 0.03 * phi[:, None, :]
    near = rng.dirichlet(np.full(n, 0.3), (count, 4))  # for maxima that lie close by
    w = np.concatenate([w, 0.01 * near + 0.99 * phi[:, None, :]], axis=1)
    w = np.where(phi[:, None, :] > 0, w, 0.0)
    w /= w.sum(axis=-1, keepdims=True)
    best = np.zeros(count)
    sizes = volumes[:, None, :]
    with np.errstate(divide="ignore"):
        log_phi = np.log(phi)[:, None, :]
    strength = a[:, None]
    for _ in range(steps):
        gain, cost = gain_and_cost(w, phi, volumes, contact)
        ratio = np.where(cost > 1e-9 * (phi / volumes).sum(axis=-1)[:, None], gain / np.maximum(cost, 1e-300), 0)
        best = np.maximum(best, strength[:, 0] * ratio.max(axis=1))
        # at the strength at which this trial phase would just pay, a fixed point is a maximum of the ratio
        pay = 1.0 / np.maximum(ratio, 1e-12)
        push = -np.einsum("bsi,bij->bsj", w - phi[:, None, :], contact) * pay[..., None]
        exponent = log_phi + sizes * push
        level = -(exponent / sizes).max(axis=-1)
        for _ in range(40):
            new = np.exp(exponent + sizes * level[..., None])
            total = new.sum(axis=-1)
            level = level - np.log(total) * total / (new * sizes).sum(axis=-1)
            if np.abs(total - 1).max() < 1e-10:
                break
        w = new / total[..., None]
    return best


def random_mixtures(rng, count, most=25):
    """Return random mixtures of 2 to ``most`` components, padded with absent ones: fractions, volumes, hsp.

    Clouds of unlike liquids, families of alike ones, oils with water and an alcohol, a polymer now and then,
    traces, absent components.
    """
    fractions, volumes = np.zeros((count, most)), np.full((count, most), 100.0)
    hsp = np.full((count, most, 3), 15.0)
    for row in range(count):
        n = int(rng.integers(2, most + 1))
        kind = rng.integers(4)
        v = np.exp(rng.uniform(np.log(18), np.log(400), n))
        if kind == 0:
            h = rng.normal([17, 6, 10], [1.5, 5, 8], (n, 3))
        elif kind == 1:
            h = rng.normal([17, 6, 10], [1.5, 5, 8], (3, 3))[rng.integers(3, size=n)] + rng.normal(0, 1, (n, 3))
        else:
            h = rng.normal([17, 3, 5], [1, 2, 4], (n, 3))
            h[0], v[0] = [15.5, 16.0, 42.3], 18.0
            h[-1], v[-1] = [15.8, 8.8, 19.4], 58.5
            if kind == 3:
                v[rng.integers(n)] = 10 ** rng.uniform(3, 5)
        phi = rng.dirichlet(np.full(n, rng.choice([0.2, 1.0, 3.0])))
        if n > 2 and rng.random() < 0.2:
            phi[rng.integers(n)] = 0.0
            phi /= phi.sum()
        fractions[row, :n], volumes[row, :n], hsp[row, :n] = phi, v, np.abs(h)
    return fractions, volumes, hsp
