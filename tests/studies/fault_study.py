"""How often the advice names the right cause, and how often it names one on a machine that is good.

    nice python tests/studies/fault_study.py [CASES [FIRST [least]]]

With `least` only how often a disc is found that is short by the least shortage that the test of a good machine told.
100 cases of each fault with 3 and with 5 passes, numbered from FIRST; about ten minutes. The method was made on the
cases from 0 on, so a fair count starts elsewhere.

The tests are made by a simulator of its own: each disc of a twin-disc machine throws a lobe (a bell, wider outwards or
inwards); granules are counted (Poisson, with lognormal sizes); every pass is shifted and gusts lift stretches of it;
trays keep more or less; line and wind of the day are off as they usually are. A boom lays a triangular fan for each of
its outlets. Nothing of it is taken from the package. The wind is noted on the sheet as the procedure asks (1 m/s, from
ahead) unless the row says that it is not; in a side wind it is noted as what it was.
"""

import sys
from dataclasses import dataclass

import numpy as np

import spreadcheck

X, BOOM_X = np.arange(-24.0, 25.0), np.arange(-14.0, 14.5, 0.5)
FINE = np.arange(-45.0, 45.01, 0.1)
BOUT_M, RATE = 24.0, 150.0  # m, kg/ha
GRANULE_G, MASS_SPREAD = 0.0238, 1.35  # a granule of 3.25 mm; sum of squared masses over what equal ones would have
PASS_SHIFT_M, GUST, GUST_M, TRAYS = 0.15, 0.04, 3.0, 0.02
LAYING_M, WIND_M, CALM_M = 0.25, 0.25, 0.10  # of a paced line, of a day, and of a day with the wind noted as calm
FIRST = int(sys.argv[2]) if len(sys.argv) > 2 else 0
FORM = {"bout width": "24 m", "target rate": "150 kg/ha", "scale resolution": "0.1 g"}


@dataclass(frozen=True)
class Machine:
    """A twin-disc machine: where each lobe lies, how wide it is inwards and outwards, how much it has."""

    at: tuple[float, float]
    inner: tuple[float, float]
    outer: tuple[float, float]
    mass: tuple[float, float] = (1.0, 1.0)
    heap: float = 0.0  # behind the machine, in shares of both lobes


def thrown(machine, x=FINE):
    """The density of both lobes, for one granule thrown by each disc. [1/m]"""
    density = np.zeros_like(x)
    for side, at, inner, outer, mass in zip(
        (-1, 1), machine.at, machine.inner, machine.outer, machine.mass, strict=True
    ):
        off = side * x - at
        bell = np.exp(-((off / np.where(off < 0, inner, outer)) ** 2) / 2)
        density += mass * bell / (bell.sum() * 0.1)
    return density + machine.heap * np.exp(-((x / 2.0) ** 2) / 2) / (2.0 * np.sqrt(2 * np.pi))


def cv_pct(density, width=BOUT_M, x=FINE):
    """CV on the true line, driven back-and-forth. [%]"""
    at = np.arange(-width / 2, width / 2, 0.1)
    laid = sum(np.interp((-1) ** abs(k) * (at - k * width), x, density) for k in range(-4, 5))
    return 100 * laid.std() / laid.mean()


def good_machine(draw):
    """A machine with a CV of at most 8 % at its bout width."""
    while True:
        machine = Machine((draw.uniform(4.5, 8.0),) * 2, (draw.uniform(4.0, 7.0),) * 2, (draw.uniform(4.0, 7.0),) * 2)
        density = thrown(machine)
        if cv_pct(density) <= 8 and density[len(FINE) // 2] > 0.9 * density.max():
            mass = 1 + draw.normal(0, 0.01)
            return Machine(machine.at, machine.inner, machine.outer, (mass, 2 - mass))


def moved(by):
    """The lobes of both discs moved sideways, at all places alike."""
    return lambda x, density: np.interp(x - by, x, density)


def blown(by):
    """Granules carried by a side wind: those that fly furthest fly longest; `by` at 12 m."""

    def blow(x, density):
        landed = x + by * (0.3 + 0.7 * np.minimum(np.abs(x) / 12, 2.0))
        heaps = np.add.accumulate(density)
        at = np.interp(x, landed, heaps, left=0.0, right=heaps[-1])
        return np.maximum(np.gradient(at), 0.0)

    return blow


def tilted(by):
    """A catch that falls steadily along the line, by so much at 20 m on one side."""
    return lambda x, density: density * np.clip(1 + by * x / 20, 0.0, 2.0)


def changed(side, **parts):
    """The machine's disc on one side (0 left, 1 right, None both) changed by factors."""

    def change(machine):
        kept = dict(vars(machine))
        for name, factor in parts.items():
            if name == "heap":
                kept[name] = factor
            else:
                values = list(kept[name])
                for at in (0, 1) if side is None else (side,):
                    values[at] *= factor
                kept[name] = tuple(values)
        return Machine(**kept)

    return change


# fault: (what is right to name, how machine and density are changed, given a side 0 or 1)
def _machine(change):
    return lambda side: (change(side), None)


def _density(change):
    return lambda side: (None, change(2 * side - 1))


FAULTS = {
    "good": ((), _machine(lambda _: changed(None))),
    "drop point off 1.5 m": (("drop point",), _density(lambda way: moved(1.5 * way))),
    "one disc 10 % short": (("feed",), _machine(lambda side: changed(side, mass=0.9))),
    "one disc 20 % short": (("feed",), _machine(lambda side: changed(side, mass=0.8))),
    "worn vane": (("vanes",), _machine(lambda side: changed(side, at=0.7, inner=0.8, outer=0.8))),
    "too slow": (("spinner speed",), _machine(lambda _: changed(None, at=0.75, inner=0.85, outer=0.85))),
    "too fast": (("spinner speed",), _machine(lambda _: changed(None, at=1.3, inner=1.1, outer=1.1))),
    "W shape": (("drop point",), _machine(lambda _: changed(None, at=1.5, inner=0.55, outer=0.6, heap=0.6))),
    "side wind": (("wind",), _density(lambda way: blown(1.5 * way))),
    "line tilted": (("levelness",), _density(lambda way: tilted(0.3 * way))),
    "line laid 1 m off": (("tray line",), _density(lambda way: moved(1.0 * way))),
    "good boom": ((), None),
    "outlet blocked": (("blocked hose or outlet",), None),
    "outlet 40 % short": (("blocked hose or outlet",), None),
}


def boom(draw, x=FINE, *, number=0, left=1.0):
    """The density under a boom of 24 outlets a metre apart, one of them with so much left."""
    flows = draw.normal(1, 0.02, 24)
    flows[number] *= left
    places = np.arange(24) - 11.5
    return (flows[:, None] * np.clip(1 - np.abs(x - places[:, None]), 0, None)).sum(axis=0) / 24


def passes(draw, density, count, *, x=X, laying=LAYING_M, wind=CALM_M, turned=(), ground=None):
    """Catches of one test, (trays, passes), in grams; `ground` is what line or wind do, whichever way a pass goes."""
    true = density * RATE * BOUT_M / (density.sum() * 0.1)  # kg/ha
    shift = draw.normal(0, laying) + draw.normal(0, wind)
    keeps = 1 + draw.normal(0, TRAYS, len(x))
    found = []
    for number in range(1, count + 1):
        thrown_to = true[::-1] if number in turned else true
        thrown_to = thrown_to if ground is None else ground(FINE, thrown_to)
        rate = np.interp(x - shift - draw.normal(0, PASS_SHIFT_M), FINE, thrown_to) * keeps
        gust = np.empty(len(x))
        gust[0] = draw.normal()
        for at, share in enumerate(np.exp(-np.diff(x) / GUST_M), start=1):
            gust[at] = share * gust[at - 1] + np.sqrt(1 - share**2) * draw.normal()
        rate = np.maximum(rate * (1 + GUST * gust), 0)
        counted = draw.poisson(rate * 0.025 / (GRANULE_G * MASS_SPREAD))  # a tray of 0.25 m2 holds 0.025 g for 1 kg/ha
        found.append(np.round(counted * GRANULE_G * MASS_SPREAD, 1))
    return np.stack(found, axis=1)


OF_THE_GROUND = ("side wind", "line tilted", "line laid 1 m off")
NOTED = {"wind speed": "1 m/s", "wind from": "ahead"}
OUTLETS = {"spreader type": "pneumatic boom", "number of outlets": "24", "outlet spacing": "1 m"}


def simulated(fault, seed, count, *, noted=True, turned=()):
    """One test with a fault, as a tray test of the package, and the outlet that is off (None for discs)."""
    draw = np.random.default_rng([seed, count, list(FAULTS).index(fault), noted, len(turned)])
    right = int(draw.integers(2))
    form, outlet, ground, x = dict(FORM) | (NOTED if noted else {}), None, None, X
    if "outlet" in fault or "boom" in fault:
        outlet = int(draw.integers(24))
        left = {"outlet blocked": 0.0, "outlet 40 % short": 0.6}.get(fault, 1.0)
        density = boom(draw, number=outlet, left=left)
        form, x = form | OUTLETS, BOOM_X
    else:
        change, bend = FAULTS[fault][1](right)
        machine = good_machine(draw)
        density = thrown(machine if change is None else change(machine))
        if fault in OF_THE_GROUND:
            ground = bend
        elif bend is not None:
            density = bend(FINE, density)
    if fault == "side wind" and noted:
        form |= {"wind speed": "2.5 m/s", "wind from": "left" if right else "right"}
    laying = 0.0 if fault == "line laid 1 m off" else LAYING_M  # there the metre is the laying error
    wind = CALM_M if noted else WIND_M
    catch = passes(draw, density, count, x=x, laying=laying, wind=wind, turned=turned, ground=ground)
    if turned:
        form["reversed passes"] = "; ".join(map(str, turned))
    test = spreadcheck.tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m", form=form)
    return test, outlet


def told(fault, seed, count, **how):
    """What the advice names first, and whether the right outlet was named."""
    test, outlet = simulated(fault, seed, count, **how)
    reading = spreadcheck.assess(test).pattern
    odd = reading.outlets.odd if reading.outlets else ()
    found = outlet is None or (bool(odd) and odd[0].number == outlet + 1)
    return [each.cause.part for each in reading.advice], found, reading.signs


def row(fault, count, cases, **how):
    """One line of the table."""
    runs = [told(fault, seed, count, **how) for seed in range(FIRST, FIRST + cases)]
    right = FAULTS[fault][0]
    none = np.mean([not names for names, _, _ in runs])
    if not right:
        return f"nothing named {100 * none:3.0f} %"
    first = np.mean([found and bool(set(right) & set(names[:1])) for names, found, _ in runs])
    three = np.mean([found and bool(set(right) & set(names[:3])) for names, found, _ in runs])
    return f"first {100 * first:3.0f} %, first three {100 * three:3.0f} %, nothing named {100 * none:3.0f} %"


def least_row(count, cases):
    """The least shortage that a test of a good machine tells, and how often a disc short by it is found."""

    def sides_of(machine, draw):
        catch = passes(draw, thrown(machine), count)
        test = spreadcheck.tray_test(X, catch, tray_width="0.5 m", tray_length="0.5 m", form=FORM | NOTED)
        return spreadcheck.assess(test).pattern.sides

    least, found = [], []
    for seed in range(FIRST, FIRST + cases):
        draw = np.random.default_rng([seed, count, 77])
        right, machine = int(draw.integers(2)), good_machine(draw)
        least.append(sides_of(machine, draw).least_seen("mass"))
        found.append(sides_of(changed(right, mass=1 - least[-1])(machine), draw).figures["mass"].clear)
    return f"told on average {100 * np.mean(least):.1f} %, found {100 * np.mean(found):.0f} %"


if __name__ == "__main__":
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    if sys.argv[3:] == ["least"]:
        for count in (3, 5):
            print(f"{count} passes  {least_row(count, cases)}", flush=True)
        raise SystemExit
    for count in (3, 5):
        for fault in FAULTS:
            print(f"{count} passes  {fault:28} {row(fault, count, cases)}", flush=True)
    for fault in ("good", "line laid 1 m off", "side wind"):
        print(f"3 passes  {fault + ', wind not noted':28} {row(fault, 3, cases, noted=False)}", flush=True)
    for fault in ("good", "drop point off 1.5 m", "one disc 10 % short", "line laid 1 m off"):
        for count, turned in ((4, (2, 4)), (6, (2, 4, 6))):
            text = f"{count} passes  {fault + ', both ways':28}"
            print(text, row(fault, count, cases, turned=turned), flush=True)
