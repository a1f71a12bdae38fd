"""A finished study of a hall that does not exist, for tests of pictures, tables and the command line.

The values follow simple laws with random errors added, so that pictures look realistic. None of them was traced, and no
test uses them to check acoustics.
"""

from __future__ import annotations

import numpy as np

from roomsim.estimate import Estimate
from roomsim.results.records import Caveat, InputUncertainty, Results, ScenarioRecord
from roomsim.scene.plan_lines import PlanDrawing, Tier

N_REPLICATES = 20
LENGTH, WIDTH = 46.0, 26.0

LINES = {
    "D1 back wall": (np.array([[45.8, 2.0], [45.8, 11.0]]), np.array([[45.8, 15.0], [45.8, 24.0]])),
    "D2 south wall": (np.array([[16.0, 0.2], [40.0, 0.2]]),),
    "D3 north wall": (np.array([[16.0, 25.8], [40.0, 25.8]]),),
    "D4 behind stage": (np.array([[0.3, 5.0], [0.3, 21.0]]),),
    "D5 free line": (np.array([[41.5, 4.0], [41.5, 22.0]]),),
    "carpet": (np.array([[10.0, 11.0], [34.0, 11.0], [34.0, 15.0], [10.0, 15.0], [10.0, 11.0]]),),
    "crowd": (np.array([[9.5, 4.0], [41.2, 4.0], [41.2, 22.4], [9.5, 22.4], [9.5, 4.0]]),),
}

LAID = ("carpet", "crowd")

SCENARIOS: tuple[tuple[str, tuple[str, ...], int], ...] = (
    ("bare", (), 0),
    ("back wall", ("D1 back wall",), 0),
    ("long walls", ("D2 south wall", "D3 north wall"), 0),
    ("behind the stage", ("D4 behind stage",), 0),
    ("free line", ("D5 free line",), 0),
    ("carpet only", ("carpet",), 0),
    ("all cloth", ("D1 back wall", "D2 south wall", "D3 north wall", "D4 behind stage", "D5 free line"), 0),
    ("full house, all cloth", (*(name for name in LINES if name != "carpet"),), 6),
)

_STRENGTH = {
    "D1 back wall": 0.035,
    "D2 south wall": 0.028,
    "D3 north wall": 0.024,
    "D4 behind stage": 0.014,
    "D5 free line": 0.030,
    "carpet": 0.004,
    "crowd": 0.09,
}


def _seats() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """600 seats: 480 in a block of 24 rows, 120 in a raked block turned by 8 degrees."""
    dx, dy = 0.95, 0.85
    blocks = []
    for x0, y0, n_x, n_y, angle in ((10.0, 4.5, 24, 20, 0.0), (35.4, 5.4, 6, 20, 8.0)):
        i, j = np.meshgrid(np.arange(n_x), np.arange(n_y), indexing="ij")
        centre = np.stack([(i.ravel() + 0.5) * dx, (j.ravel() + 0.5) * dy], axis=-1)
        corner = centre[:, None, :] + 0.5 * np.array([[-dx, -dy], [dx, -dy], [dx, dy], [-dx, dy]])
        c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
        turn = np.array([[c, s], [-s, c]])
        blocks.append((centre @ turn + (x0, y0), corner @ turn + (x0, y0)))
    centres = np.concatenate([block[0] for block in blocks])
    cells = np.concatenate([block[1] for block in blocks])
    return centres, cells, np.repeat([0, 1], [len(block[0]) for block in blocks])


def invented_results(seed: int = 5, with_gaps: bool = False, with_doubt: bool = False) -> Results:
    """The study; `with_gaps` makes some seats of the last scenario impossible to evaluate (NaN).

    `with_doubt` adds the uncertainty of the results that follows from that of the absorption.
    """
    rng = np.random.default_rng(seed)
    centres, cells, area = _seats()
    n_seats, n_scenarios = len(centres), len(SCENARIOS)
    distance = np.hypot(centres[:, 0] - 8.0, centres[:, 1] - 13.0)
    compare_with = np.array([scenario[2] for scenario in SCENARIOS])

    shared = rng.normal(0.0, 0.006, n_seats)
    sti = np.empty((n_seats, n_scenarios))
    for i, (_, elements, _) in enumerate(SCENARIOS):
        gain = np.zeros(n_seats)
        for name in elements:
            line = np.concatenate(LINES[name])
            near = np.hypot(*(centres[:, None] - line.mean(axis=0)).T).min(axis=0)
            gain += _STRENGTH[name] * (0.6 + 0.8 * np.exp(-near / 9.0))
        if "D4 behind stage" in elements and len(elements) == 1:
            gain -= 0.035 * np.exp(-((distance / 9.0) ** 2))
        sti[:, i] = 0.66 - 0.105 * np.log2(np.maximum(distance, 4.0) / 4.0) + gain + shared
        sti[:, i] += rng.normal(0.0, 0.002, n_seats)
    if with_gaps:
        sti[::37, -1] = np.nan
    gain = sti - sti[:, compare_with]

    band_shape = np.array([1.25, 1.2, 1.1, 1.05, 1.0, 0.9, 0.7, 0.45])
    reduction = np.array([sum(_STRENGTH[name] for name in scenario[1]) for scenario in SCENARIOS])
    drop = np.array([0.5, 1.0, 3.0, 6.0, 8.0, 7.5, 6.0, 4.0])
    t20 = 3.4 * band_shape / (1.0 + reduction[:, None] * drop)
    t20_seats = t20 * rng.normal(1.0, 0.04, (n_seats, n_scenarios, 8))
    level = 82.0 - 5.0 * np.log10(np.maximum(distance, 3.0))[:, None, None] - 12.0 * reduction[:, None]
    level = level + np.array([-3.0, 0.0, 1.0, 0.0, -2.0, -5.0, -9.0, -14.0])
    c50 = (
        -1.0 + 14.0 * reduction[:, None] - 3.0 * np.log10(distance / 10.0)[:, None, None] + 0.4 * np.arange(8)
    )

    def estimate(value: np.ndarray, error: float) -> Estimate:
        errors = np.broadcast_to(error, np.shape(value)) * rng.uniform(0.8, 1.2, np.shape(value))
        return Estimate(np.asarray(value), errors, N_REPLICATES)

    def difference(value: np.ndarray, error: float) -> Estimate:
        estimated = estimate(value, error)
        errors = np.where(np.asarray(value) == 0.0, 0.0, estimated.standard_error)
        return Estimate(estimated.value, errors, N_REPLICATES)

    seats = {
        "speech_transmission_index": estimate(sti, 0.007),
        "reverberation_time_t20": estimate(t20_seats, 0.05),
        "clarity_c50": estimate(c50, 0.3),
        "sound_pressure_level": estimate(level, 0.2),
    }
    gains = {
        "speech_transmission_index": difference(gain, 0.006),
        "reverberation_time_t20": difference(t20_seats - t20_seats[:, compare_with], 0.03),
        "clarity_c50": difference(c50 - c50[:, compare_with], 0.15),
        "sound_pressure_level": difference(level - level[:, compare_with], 0.08),
    }
    median = np.nanmedian(sti, axis=0)
    worst = np.nanquantile(sti, 0.1, axis=0)
    share = np.nanmean(sti > 0.5, axis=0)
    room = {
        "speech_transmission_index": estimate(np.nanmean(sti, axis=0), 0.002),
        "reverberation_time_t20": estimate(t20, 0.02),
        "clarity_c50": estimate(c50.mean(axis=0), 0.05),
        "sound_pressure_level": estimate(level.mean(axis=0), 0.05),
        "articulation_loss": estimate(10.0 * t20[:, 4], 0.2),
        "sti_median": estimate(median, 0.003),
        "sti_worst_tenth": estimate(worst, 0.004),
        "sti_share_of_seats": estimate(share, 0.012),
    }
    room_gains = {
        name: difference(value.value - value.value[compare_with], 0.4 * float(np.mean(value.standard_error)))
        for name, value in room.items()
    }
    hire = {"D1 back wall": 1000, "D2 south wall": 900, "D3 north wall": 900, "D4 behind stage": 600}
    hire |= {"D5 free line": 720, "carpet": 350, "crowd": 0}
    records = []
    for name, elements, against in SCENARIOS:
        cloth = [element for element in elements if element.startswith("D")]
        total = float(sum(hire[element] for element in elements))
        records.append(
            ScenarioRecord(
                name=name,
                description="",
                elements=elements,
                compare_with=against,
                hire=total,
                rigging_hours=10.0 * len(cloth),
                cost=total + 450.0 * len(cloth) + (1190.0 if total else 0.0),
                weight=200.0 * len(cloth),
                roof_points=7 * len(cloth),
                limits_broken=("50 h of rigging, 40 h available",) if len(cloth) > 4 else (),
                sources=("main left", "main right"),
            )
        )
    outline = np.array([[0, 0], [LENGTH, 0], [LENGTH, WIDTH], [0, WIDTH], [0, 0]], dtype=float)
    column = 0.4 * np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]])
    columns = tuple(column + np.array([x, y]) for x in (8.0, 16.0, 24.0, 32.0, 40.0) for y in (2.2, 23.4))
    return Results(
        title="Reading night",
        venue="Kettlewell ropeworks (invented)",
        scenarios=tuple(records),
        positions=np.column_stack([centres, np.full(n_seats, 1.2)]),
        area=area,
        area_names=("stalls", "raked block"),
        cells=cells,
        seats=seats,
        gains=gains,
        room=room,
        room_gains=room_gains,
        statistical={"sabine": t20 * 1.12, "eyring": t20 * 1.02, "kuttruff": t20 * 0.97},
        diffuse_room={
            "schroeder_frequency": 20.0 * np.sqrt(t20),
            "critical_distance": 10.0 / np.sqrt(t20),
            "articulation_loss": 3.0 * t20,
        },
        caveats=(Caveat("nearly_anechoic", "all cloth", severity=0.6, bands=(4, 5), values={"absorption": 0.6}),),
        plan=PlanDrawing(
            tiers=(Tier((0, 1), (outline, *columns), {name: LINES[name] for name in LAID}),),
            elements={name: lines for name, lines in LINES.items() if name not in LAID},
            zones={
                "back exit": np.array([[43.5, 11], [46, 11], [46, 15], [43.5, 15], [43.5, 11]], dtype=float),
                "side exit": np.array([[12, 0], [14, 0], [14, 1.5], [12, 1.5], [12, 0]], dtype=float),
            },
            sources={"main left": np.array([7.5, 19.0]), "main right": np.array([7.5, 7.0])},
            noise=(),
            stage=(4.0, 13.0),
            north=60.0,
        ),
        sti_target=0.5,
        share_target=0.95,
        currency="EUR",
        input_uncertainty=_doubt(seats, room, n_scenarios) if with_doubt else None,
        provenance={"seed": "1", "rays": "4000000", "replicates": str(N_REPLICATES), "version": "0"},
    )


def _doubt(seats: dict[str, Estimate], room: dict[str, Estimate], n_scenarios: int) -> InputUncertainty:
    """An increase from scenario to scenario, so that no two are alike."""
    growing = 0.004 + 0.001 * np.arange(n_scenarios)
    sti = np.broadcast_to(growing, seats["speech_transmission_index"].value.shape)
    over_seats = {
        name: growing * (10.0 if "share" in name else 1.0) for name in room if name.startswith("sti_")
    }
    return InputUncertainty(
        n_draws=32,
        seats={"speech_transmission_index": sti},
        gains={"speech_transmission_index": 0.5 * sti},
        room=over_seats,
        room_gains={name: 0.5 * value for name, value in over_seats.items()},
        sign_kept=np.full(n_scenarios, 0.97),
        best=np.full(n_scenarios, 1.0 / n_scenarios),
        ahead=np.full(n_scenarios, 0.8),
    )
