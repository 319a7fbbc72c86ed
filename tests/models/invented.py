"""Invented specimens for the model tests: a small lab drawn from the prior, with censoring and missing sections."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from models import rows
from models.priors import LOT_SPREAD, Layout, PriorSet, population, prior_set, sample_prior, standard, temper_centring
from models.simulate import new_effects, simulate

SHEET = rows.Sheet(clad_um=20.0, silicon=10.0, share=np.array([1.0, 0.55, 0.2]), count=np.array([12.0, 8.0, 24.0]),
                   joined=np.array([False, True, True]))
SETTINGS = rows.Settings(4.0, 0.004, 1.5, 0.2)
LOW, HIGH = np.array([20.0, 0.01, 592.0, 1.0]), np.array([280.0, 0.25, 612.0, 8.0])


def padded(n: int) -> int:
    return max(8, 1 << (n - 1).bit_length())


def priors(n_tempers: int = 2) -> PriorSet:
    return prior_set(("O", "H24")[:n_tempers], (0, 2)[:n_tempers])


def conditions(n: int, rng: np.random.Generator, *, n_tempers: int = 2) -> rows.Conditions:
    return rows.Conditions.from_factors(rng.integers(n_tempers, size=n), LOW + (HIGH - LOW) * rng.uniform(size=(n, 4)))


def observations(rng: np.random.Generator, *, n: int = 60, n_lots: int = 3, n_loads: int = 5, n_tempers: int = 2, truth=None):
    """Return (observations, layout, truth): a third tensile, a sixth bend, a quarter braze coupons, a quarter components."""
    layout = Layout(n_tempers, padded(n_lots), padded(n_loads))
    truth = truth or new_effects(sample_prior(layout, priors(n_tempers), 1, rng), layout.n_lots, layout.n_loads, rng)
    kind = np.arange(n) % 12                       # 0-3 tensile, 4-5 bend, 6-8 braze coupon, 9-11 component
    x = conditions(n, rng, n_tempers=n_tempers)
    load_braze = LOW[2:] + (HIGH - LOW)[2:] * rng.uniform(size=(n_loads, 2))
    load, lot = rng.integers(n_loads, size=n), rng.integers(n_lots, size=n)
    tensile, bend, coupon, part = kind < 4, (kind >= 4) & (kind < 6), (kind >= 6) & (kind < 9), kind >= 9
    strain = np.where(bend, 0.0, x.strain)
    x = rows.Conditions(x.temper, x.forming_temperature, strain, load_braze[load, 0], load_braze[load, 1])
    seen = simulate(truth, x, SHEET, settings=SETTINGS, component=part.astype(float), lot=lot, load=load, n_joints=24, rng=rng)
    d = rows.design(x, settings=SETTINGS, component=part.astype(float), lot=lot, load=load)
    stop = 0.3
    above = tensile & (seen.limit_strain > stop)
    limit_y = np.where(tensile, np.where(above, stop, seen.limit_strain), np.maximum(x.strain, 1e-4))
    limit_censor = np.where(tensile, np.where(above, 1, 0), np.where(seen.cracked, -1, 1))
    pulled = tensile | coupon | part
    no_scatter = np.where(tensile, 0.0, d.log_strain_sd)
    formability = rows.NormalBlock(rows.Design(**{**d.__dict__, "log_strain_sd": no_scatter}).take(pulled),
                                   np.log(limit_y)[pulled], limit_censor[pulled])
    sprung = bend | (part & ~seen.cracked)
    value = np.where(part, seen.gap, seen.angle)
    bound = np.where(part, np.nanquantile(seen.gap, 0.1), np.nanquantile(seen.angle[bend], 0.1))   # a coarse gauge
    low = value < bound
    springback = rows.NormalBlock(d.take(sprung), np.log(np.where(low, bound, value))[sprung], np.where(low, -1, 0)[sprung])
    cut = (coupon & ~seen.cracked) | (part & ~seen.cracked & (np.arange(n) % 2 == 0))
    feature = np.where(part, np.arange(n) % 3, 0)
    share = np.where(part, SHEET.share[feature], 1.0)
    pick = np.arange(n), feature
    film_um, state = seen.film[pick], seen.recrystallised[pick]
    section_rows = rows.Design(**{**d.__dict__, "log_strain": d.log_strain + np.log(share)})
    known = (np.arange(n) % 5 != 0).astype(float)
    small = film_um < 5.0
    clean = coupon | (np.arange(n) % 7 == 0)
    section = rows.SectionBlock(
        section_rows.take(cut), known[cut], (known * ~state)[cut], np.log(np.where(small, 5.0, film_um))[cut],
        np.where(small, -1, 0)[cut], (~small)[cut].astype(float), np.where(small, 0.0, film_um)[cut],
        (clean * seen.clad_left[pick] / SHEET.clad_um)[cut], np.where(clean, np.where(seen.clad_left[pick] > 0, 0, -1), 9)[cut])
    joined = part & ~seen.cracked
    gap_known = (np.arange(n) % 4 != 1).astype(float)
    counts = rows.CountBlock(d.take(joined), np.full(joined.sum(), 24.0), seen.sound[joined].astype(float),
                             np.where(seen.leaked, 1.0, -1.0)[joined], gap_known[joined], (gap_known * np.nan_to_num(seen.gap))[joined])
    obs = rows.Observations(formability, springback, section, counts, n_tempers, n_lots, n_loads)
    return obs, layout, truth


def take_rows(block, index):
    """Return some rows of a block."""
    return replace(block, **{f.name: getattr(block, f.name).take(index) if f.name == "rows" else getattr(block, f.name)[index]
                             for f in fields(block)})


def only(obs: rows.Observations, name: str, index=None) -> rows.Observations:
    """Return observations with one block (some of its rows) and the other three empty."""
    blocks = {b: take_rows(getattr(obs, b), np.zeros(0, int)) for b in ("formability", "springback", "section", "counts")}
    if name:
        blocks[name] = take_rows(getattr(obs, name), slice(None) if index is None else index)
    return replace(obs, **blocks)


def centring(y, layout, priors_in_force, told) -> float:
    """Return the log-density of the sampler's vector (size,) relative to standard normals; `told` as `standard` has it."""
    z, lots = standard(y, layout, priors_in_force, told), slice(layout.start("lots"), layout.start("loads"))
    values = population(z, layout, priors_in_force)
    spread = np.array([values[name] for name in LOT_SPREAD.values()])
    shrunk = np.log1p(told.sum(axis=-1) * spread ** 2).sum()
    return float(temper_centring(y, layout).sum() + 0.5 * (y[lots] ** 2 - z[lots] ** 2).sum() - 0.5 * shrunk)
