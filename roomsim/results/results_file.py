"""The HDF5 file of a finished study, for this program and for all other readers.

All axes have dimension scales, and all numbers have a unit and a descriptive name. Standard errors are stored beside
their values as `<name>_standard_error`, and standard uncertainties due to the input as `<name>_input_uncertainty`. Data
without a regular shape (names of elements, warnings, the floor plan) are JSON texts. The file follows no metadata
convention, because none exists for room acoustics.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ..bands import N_BANDS, NOMINAL
from ..errors import StoreError
from ..estimate import Estimate
from ..files import replace_file
from ..metrics.registry import METRICS
from ..scene.plan_lines import PlanDrawing
from . import hdf5
from .folder import RESULTS, default_folder
from .plain import from_plain, to_plain
from .records import DIFFUSE_FIELD_QUANTITIES, Caveat, InputUncertainty, Results, ScenarioRecord

KIND = "roomsim results"
SCHEMA = 4
STANDARD_ERROR = "_standard_error"
INPUT_UNCERTAINTY = "_input_uncertainty"

# These filters are part of the HDF5 library; other readers may lack any others.
_PACKED = {"compression": "gzip", "compression_opts": 4, "shuffle": True, "fletcher32": True}

_NUMBERS: dict[str, tuple[str, str, str]] = {
    "hire": ("<f8", "{currency}", "hire of all elements"),
    "rigging_hours": ("<f8", "h", "rigging hours"),
    "cost": ("<f8", "{currency}", "hire, labour and fixed sum"),
    "weight": ("<f8", "kg", "weight of all elements"),
    "compare_with": ("<i8", "1", "index of the scenario that this one is measured against"),
    "roof_points": ("<i8", "1", "roof points used"),
}
"""Numbers of a scenario: type, unit and name."""
_LISTS = {
    "elements": "elements switched in",
    "hung": "those that hang overhead",
    "sources": "sources that sound in it",
    "limits_broken": "limits broken",
}

_ESTIMATES: dict[str, tuple[tuple[str, ...], str]] = {
    "seats": (("receiver", "scenario"), "every quantity at every seat"),
    "gains": (("receiver", "scenario"), "differences against `compare_with`; their errors are those of the difference"),
    "room": (("scenario",), "means over the seats, and statistics of the speech transmission index over the seats"),
    "room_gains": (("scenario",), "differences of these against `compare_with`"),
}
"""Group of estimates -> its axes and description."""
_OVER_SEATS = {
    "sti_median": ("1", "median over the seats of the speech transmission index"),
    "sti_worst_tenth": ("1", "speech transmission index below which one seat in ten lies"),
    "sti_share_of_seats": ("1", "share of the seats with a speech transmission index at or above sti_target"),
}
_PROBABILITIES = {
    "sign_kept": "probability that the gain of the median seat has this sign, with the errors of rays and input",
    "best": "probability that no scenario within the limits serves the median seat better; NaN if it breaks one",
    "ahead": "probability of being better than the next in order within the limits; NaN if it breaks one",
}


def write_results(path: Path, results: Results) -> None:
    """Replace the results file at `path` by the results of this study.

    Raises
    ------
    StoreError : the disk is full or cannot be written; an older file at `path` then remains
    """
    replace_file(path, hdf5.file_image(KIND, SCHEMA, lambda file: _fill(file, results)))


def load_results(results: Results | str | Path) -> Results:
    """Read a finished study. Results that are already loaded are returned as they are.

    Parameters
    ----------
    results : folder of a run, or the results.h5 in it

    Raises
    ------
    StoreError : the file is missing, cannot be read, is damaged, or was written by a newer program
    """
    if isinstance(results, Results):
        return results
    path = Path(results)
    if path.suffix == ".toml":
        raise _not_results(path)
    path = path / RESULTS if path.is_dir() else path
    try:
        with path.open("rb"):
            pass
    except FileNotFoundError:
        raise StoreError("there are no results", file=path, cure="Run the study first.") from None
    except OSError as fault:
        raise StoreError(f"cannot read: {fault.strerror or fault}", file=path) from fault
    try:
        with hdf5.open_checked(path, KIND, SCHEMA) as file:
            return _read(file)
    except hdf5.UNREADABLE as fault:
        reason = fault if isinstance(fault, hdf5.ContentError) else "not a whole HDF5 file"
        raise StoreError(
            f"cannot be read as a results file: {reason}", file=path, cure="Run the study again to replace it."
        ) from fault


def _not_results(study: Path) -> StoreError:
    """The error for a study file given in place of its results."""
    folder = default_folder(study)
    cure = f"Name {folder}." if (folder / RESULTS).is_file() else f"First `roomsim run {study}`, then name {folder}."
    return StoreError("describes a study; its results are in the folder of a run", file=study, cure=cure)


# --- writing --------------------------------------------------------------------------------------------


def _fill(file: h5py.File, results: Results) -> None:
    for name in ("title", "venue", "currency"):
        file.attrs[name] = getattr(results, name)
    file.attrs["sti_target"] = float(results.sti_target)
    file.attrs["share_target"] = float(results.share_target)
    _put_scales(file, results)
    _put(file, "positions", results.positions, ("receiver", "axis"), "m", "position of the receiver")
    _put(file, "area", results.area, ("receiver",), "1", "index of the audience area")
    _put(file, "cells", results.cells, ("receiver", "corner", "plan_axis"), "m", "corners of the seat's cell")
    _put_scenarios(file.create_group("scenarios"), results)
    for name, (axes, description) in _ESTIMATES.items():
        group = file.create_group(name)
        group.attrs["description"] = description
        for quantity, estimate in getattr(results, name).items():
            _put_estimate(group, quantity, estimate, axes)
    if results.input_uncertainty is not None:
        _put_input_uncertainty(file, results.input_uncertainty)
    statistical = file.create_group("statistical")
    for name, times in results.statistical.items():
        long_name = f"reverberation time, diffuse-field estimate: {name}"
        _put(statistical, name, times, ("scenario", "band"), "s", long_name)
    diffuse = file.create_group("diffuse_room")
    for name, values in results.diffuse_room.items():
        _put(diffuse, name, values, ("scenario", "band"), *DIFFUSE_FIELD_QUANTITIES[name])
    for name, part, long_name in (
        ("caveats", results.caveats, "JSON: what makes figures doubtful"),
        ("plan", results.plan, "JSON: lines of the plan, m"),
    ):
        text = json.dumps(to_plain(part), allow_nan=False)
        _label(file.create_dataset(name, data=text, dtype=hdf5.TEXT), "", long_name)
    provenance = file.create_group("provenance")
    for name, value in results.provenance.items():
        if not name.isidentifier():
            raise ValueError(f"provenance key {name!r}: other readers need plain names")
        provenance.attrs[name] = value


def _put_scales(file: h5py.File, results: Results) -> None:
    scales: dict[str, tuple[Any, str, str]] = {
        "receiver": (np.arange(len(results.positions)), "1", "index of the receiver"),
        "scenario": ([record.name for record in results.scenarios], "", "name of the scenario"),
        "band": (NOMINAL, "Hz", "nominal mid-band frequency of the octave band"),
        "area_name": (list(results.area_names), "", "name of the audience area"),
        "axis": (["x", "y", "z"], "", "axis, z upwards"),
        "plan_axis": (["x", "y"], "", "axis in plan"),
        "corner": (np.arange(4), "1", "index of the corner"),
    }
    for name, (values, unit, long_name) in scales.items():
        is_text = isinstance(values, list)
        dataset = file.create_dataset(name, data=values, dtype=hdf5.TEXT if is_text else None)
        _label(dataset, unit, long_name)
        dataset.make_scale(name)


def _put_scenarios(group: h5py.Group, results: Results) -> None:
    records = results.scenarios
    for name, (dtype, unit, long_name) in _NUMBERS.items():
        values = np.array([getattr(record, name) for record in records], dtype=dtype)
        _put(group, name, values, ("scenario",), unit.format(currency=results.currency), long_name)
    lists = {name: [json.dumps(getattr(record, name)) for record in records] for name in _LISTS}
    for name, items in {"description": [record.description for record in records], **lists}.items():
        dataset = group.create_dataset(name, data=items, dtype=hdf5.TEXT)
        dataset.dims[0].attach_scale(group.file["scenario"])
        _label(dataset, "", f"JSON: {_LISTS[name]}" if name in _LISTS else "description")


def _unit_and_name(quantity: str) -> tuple[str, str]:
    """Unit and description."""
    return _OVER_SEATS.get(quantity) or (METRICS[quantity].unit or "1", METRICS[quantity].description)


def _put_estimate(group: h5py.Group, quantity: str, estimate: Estimate, axes: tuple[str, ...]) -> None:
    unit, long_name = _unit_and_name(quantity)
    if estimate.value.ndim > len(axes):
        axes = (*axes, "band")
    for name, values, prefix in (
        (quantity, estimate.value, ""),
        (quantity + STANDARD_ERROR, estimate.standard_error, "standard error of "),
    ):
        dataset = _put(group, name, values, axes, unit, prefix + long_name)
        dataset.attrs["n_replicates"] = int(estimate.n_replicates)


def _put_input_uncertainty(file: h5py.File, uncertainty: InputUncertainty) -> None:
    for group, (axes, _) in _ESTIMATES.items():
        for quantity, values in getattr(uncertainty, group).items():
            unit, long_name = _unit_and_name(quantity)
            long_name = f"standard uncertainty from the input of {long_name}"
            _put(file[group], quantity + INPUT_UNCERTAINTY, values, axes, unit, long_name)
    for name, long_name in _PROBABILITIES.items():
        values = getattr(uncertainty, name)
        _put(file["scenarios"], f"probability_{name}", values, ("scenario",), "1", long_name)
    file.attrs["n_input_draws"] = uncertainty.n_draws


def _put(
    group: h5py.Group, name: str, values: np.ndarray, axes: tuple[str, ...], unit: str, long_name: str
) -> h5py.Dataset:
    # All floating-point numbers have the same type, as `load_results` requires.
    converted = values.astype("<f8" if values.dtype.kind == "f" else "<i8", copy=False)
    dataset = group.create_dataset(name, data=converted, **_PACKED)
    for dimension, axis in zip(dataset.dims, axes, strict=True):
        dimension.attach_scale(group.file[axis])
    _label(dataset, unit, long_name)
    return dataset


def _label(dataset: h5py.Dataset, unit: str, long_name: str) -> None:
    dataset.attrs["long_name"] = long_name
    if unit:
        dataset.attrs["units"] = unit


# --- reading --------------------------------------------------------------------------------------------


def _read(file: h5py.File) -> Results:
    scenario_names = hdf5.texts(file, "scenario")
    area_names = tuple(hdf5.texts(file, "area_name"))
    n_scenarios = len(scenario_names)
    positions = hdf5.array(file, "positions", "<f8", (None, 3))
    n_receivers = len(positions)
    lengths = {"receiver": n_receivers, "scenario": n_scenarios}
    statistical = hdf5.subgroup(file, "statistical")
    provenance = hdf5.subgroup(file, "provenance")
    area = hdf5.array(file, "area", "<i8", (n_receivers,))
    _require(bool(np.all((area >= 0) & (area < len(area_names)))), "'area' points past the list of areas")
    plan = from_plain(PlanDrawing, hdf5.parsed(hdf5.text(file, "plan"), "plan"))
    _require(bool(plan.tiers), "the plan has no tier")
    estimates = {
        name: _estimates(hdf5.subgroup(file, name), tuple(lengths[axis] for axis in axes))
        for name, (axes, _) in _ESTIMATES.items()
    }
    times = {name: hdf5.array(statistical, name, "<f8", (n_scenarios, N_BANDS)) for name in statistical}
    diffuse = hdf5.subgroup(file, "diffuse_room")
    return Results(
        title=hdf5.attribute(file, "title", str),
        venue=hdf5.attribute(file, "venue", str),
        scenarios=_scenarios(hdf5.subgroup(file, "scenarios"), scenario_names),
        positions=positions,
        area=area,
        area_names=area_names,
        cells=hdf5.array(file, "cells", "<f8", (n_receivers, 4, 2)),
        **estimates,
        statistical=times,
        diffuse_room={name: hdf5.array(diffuse, name, "<f8", (n_scenarios, N_BANDS)) for name in diffuse},
        caveats=from_plain(tuple[Caveat, ...], hdf5.parsed(hdf5.text(file, "caveats"), "caveats")),
        plan=plan,
        sti_target=hdf5.attribute(file, "sti_target", float),
        share_target=hdf5.attribute(file, "share_target", float),
        currency=hdf5.attribute(file, "currency", str),
        provenance={name: hdf5.attribute(provenance, name, str) for name in provenance.attrs},
        input_uncertainty=_input_uncertainty(file, lengths),
    )


def _input_uncertainty(file: h5py.File, lengths: dict[str, int]) -> InputUncertainty | None:
    if "n_input_draws" not in file.attrs:
        return None
    spreads: dict[str, dict[str, np.ndarray]] = {}
    for name, (axes, _) in _ESTIMATES.items():
        group, shape = hdf5.subgroup(file, name), tuple(lengths[axis] for axis in axes)
        spreads[name] = {
            quantity.removesuffix(INPUT_UNCERTAINTY): hdf5.array(group, quantity, "<f8", shape)
            for quantity in group
            if quantity.endswith(INPUT_UNCERTAINTY)
        }
    scenarios, n = hdf5.subgroup(file, "scenarios"), lengths["scenario"]
    probabilities = {name: hdf5.array(scenarios, f"probability_{name}", "<f8", (n,)) for name in _PROBABILITIES}
    n_draws = hdf5.attribute(file, "n_input_draws", int)
    return InputUncertainty(n_draws=n_draws, **spreads, **probabilities)  # type: ignore[arg-type]


def _scenarios(group: h5py.Group, names: list[str]) -> tuple[ScenarioRecord, ...]:
    n = len(names)
    columns: dict[str, list[Any]]
    columns = {name: hdf5.array(group, name, dtype, (n,)).tolist() for name, (dtype, *_) in _NUMBERS.items()}
    columns |= {name: [_texts(value, name) for value in hdf5.texts(group, name, n)] for name in _LISTS}
    columns |= {"name": names, "description": hdf5.texts(group, "description", n)}
    _require(all(0 <= index < n for index in columns["compare_with"]), "'compare_with' points past the scenarios")
    return tuple(ScenarioRecord(**{name: column[i] for name, column in columns.items()}) for i in range(n))


def _estimates(group: h5py.Group, lengths: tuple[int, ...]) -> dict[str, Estimate]:
    estimates = {}
    for name in group:
        if name.endswith((STANDARD_ERROR, INPUT_UNCERTAINTY)):
            continue
        dataset = hdf5.member(group, name)
        shape = (*lengths, N_BANDS) if len(dataset.shape) > len(lengths) else lengths
        value = hdf5.array(group, name, "<f8", shape)
        error = hdf5.array(group, name + STANDARD_ERROR, "<f8", shape)
        estimates[name] = Estimate(value, error, hdf5.attribute(dataset, "n_replicates", int))
    return estimates


def _texts(content: str, name: str) -> tuple[str, ...]:
    return from_plain(tuple[str, ...], hdf5.parsed(content, name))


def _require(holds: bool, otherwise: str) -> None:
    if not holds:
        raise hdf5.ContentError(otherwise)
