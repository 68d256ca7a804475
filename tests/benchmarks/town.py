"""A town with the faults of real layers: hits, stated probabilities, and intervals of the tap.

``python -m tests.benchmarks.town [--uneven] [--known PERCENT] [--basements SHARE] [LOTS] [SEED …]``
(default 900 lots, seeds 1 to 4); of so many percent of the lots the tap is on record, as a point;
they are not scored. ``--basements`` is written as ``basement_share``;
``--uneven`` makes towns of winding streets, stepped fronts and hills, in which a house is drained
as the one beside it three times in five. The town and its truth are those of
``tests.invented_town``, drawn apart from the model. Both rules that people use by hand are scored
on the same joined lines: the nearest main, and the nearest main in the street of the address (else
the nearest).
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import shapely
from shapely import STRtree

from sitegis.city import run_city
from tests.invented_town import Faults, Town, invent_town, write_town

UNEVEN = Faults(bend_m=5.0, uneven_m=6.0, relief_m=2.5, habit=0.6)
CLASSES = (0.0, 0.5, 0.65, 0.8, 0.9, 0.95, 1.0)


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main(lots: int, seeds: list[int], faults: Faults, known: float, basements: float) -> None:
    rows = pd.concat(
        [
            judge(invent_town(lots, seed=seed, faults=faults), known, basements, seed)
            for seed in seeds
        ],
        ignore_index=True,
    )
    say(f"{len(rows)} lots of invented towns, seeds {seeds}; on record: {rows['known'].mean():.1%}")
    say_hits(rows)
    say_classes(rows)
    say_intervals(rows)


def put_on_record(town: Town, folder: Path, known: float, seed: int) -> set[str]:
    """Write the taps of some lots as a layer of points; give the lots."""
    rng = np.random.default_rng(1000 + seed)
    lots = [name for name, truth in town.truth.items() if truth["line"]]
    mine = sorted(rng.choice(lots, round(known * len(lots)), replace=False).tolist())
    points = shapely.points([town.truth[name]["tap"] for name in mine])
    frame = geopandas.GeoDataFrame({"lot": mine}, geometry=points, crs=town.parcels.crs)
    frame.to_file(folder / "town.gpkg", layer="laterals", driver="GPKG", mode="a")
    with (folder / "CITY.toml").open("a", encoding="utf-8") as file:
        file.write('\n[laterals]\nlayer = "town.gpkg"\nlayer_name = "laterals"\nparcel = "lot"\n')
    return set(mine)


def judge(town: Town, known: float = 0.0, basements: float = -1.0, seed: int = 0) -> pd.DataFrame:
    """Run the command's function and both rules; give one row a lot."""
    with tempfile.TemporaryDirectory() as folder:
        path = write_town(town, Path(folder))
        if basements >= 0.0:
            text = path.read_text("utf-8").replace(
                "[parcels]", f"basement_share = {basements}\n\n[parcels]", 1
            )
            path.write_text(text, "utf-8")
        told = put_on_record(town, path.parent, known, seed) if known else set()
        summary = run_city(path, Path(folder) / "out.gpkg")
        for notice in summary.notices:
            if notice.code.startswith("laterals"):
                say(f"  seed {seed}: {notice.message}")
        lots = geopandas.read_file(Path(folder) / "out.gpkg", layer="lots").set_index("parcel")
        taps = geopandas.read_file(Path(folder) / "out.gpkg", layer="taps").set_index("parcel")
    live = town.mains[(town.mains["sys"] == "SAN") & (town.mains["stat"] == "ACT")]
    live = live.reset_index(drop=True)
    line_of = {name: town.line_of[name] for name in live["facility"]}
    nearest, addressed = by_hand(town, live)
    rows = []
    for i, parcel in enumerate(town.parcels["apn"]):
        truth = town.truth.get(parcel)
        if truth is None or parcel not in lots.index or parcel in told:
            continue
        lot = lots.loc[parcel]
        row = {
            "kind": truth["kind"],
            "known": bool(truth["line"]),
            "answer": lot["answer"],
            "stated": lot["line_probability"],
            "hit": line_of.get(lot["main"]) == truth["line"],
            "best": truth["best"],
            "choice": truth.get("choice"),
            "toward": lot["toward"],
            "told": lot["address"],
            "nearest": line_of[nearest[i]] == truth["line"],
            "addressed": line_of[addressed[i]] == truth["line"],
        }
        if parcel in taps.index and row["hit"] and row["known"]:
            row |= inside(town, live, taps.loc[parcel], truth)
        rows.append(row)
    return pd.DataFrame(rows)


def inside(town: Town, live, tap, truth) -> dict[str, object]:
    """Return which intervals hold the true tap: its place along the line from the answer's tap."""
    reach = live.geometry[live["facility"] == tap["main"]].iloc[0]
    off = float(reach.project(shapely.Point(truth["tap"])) - reach.project(tap.geometry))
    if off in (-reach.project(tap.geometry), reach.length - reach.project(tap.geometry)):
        # the true tap is on another reach of the line: straight on from this one
        along = np.subtract(reach.coords[-1], reach.coords[0])
        along = along / np.hypot(*along)
        off = float(np.dot(np.subtract(truth["tap"], (tap.geometry.x, tap.geometry.y)), along))
    # the answer's line runs the way most of it does; both ways are tried on the 50 % interval
    found = {"error_m": abs(off)}
    for level in (50, 80, 95):
        low, high = (tap[f"{end}_{level}_m"] - tap["station_m"] for end in ("low", "high"))
        found[f"in_{level}"] = low - 0.05 <= off <= high + 0.05
        found[f"width_{level}"] = high - low
    return found


def by_hand(town: Town, live) -> tuple[list[str], list[str]]:
    """Return the nearest main of each parcel's house, and the nearest in its address's street."""
    houses = STRtree(town.buildings.geometry.to_numpy())
    streets = town.streets[town.streets["fullname"] != ""].reset_index(drop=True)
    _, near_street = STRtree(streets.geometry.to_numpy()).query_nearest(
        live.geometry.interpolate(0.5, normalized=True).to_numpy(), all_matches=False
    )
    gap = live.geometry.distance(streets.geometry.iloc[near_street].reset_index(drop=True))
    street_of = np.where(gap < 8.0, streets["fullname"].to_numpy()[near_street], "")
    nearest, addressed = [], []
    for shape, situs in zip(town.parcels.geometry, town.parcels["situs"], strict=True):
        inside_lot = houses.query(shape, predicate="contains")
        house = houses.geometries[inside_lot[0]] if len(inside_lot) else shape
        away = shapely.distance(house, live.geometry.to_numpy())
        nearest.append(live["facility"][int(np.argmin(away))])
        named = [street for street in set(street_of) if street and says(situs, street)]
        mine = np.isin(street_of, named) & (away < 60.0)
        away = np.where(mine, away, np.inf) if mine.any() else away
        addressed.append(live["facility"][int(np.argmin(away))])
    return nearest, addressed


def says(situs: str, street: str) -> bool:
    """Return by the generator's own notations whether an address names a street."""
    core = [word for word in street.split() if len(word) > 3]
    return bool(core) and all(word in situs.upper() for word in core)


def say_hits(rows: pd.DataFrame) -> None:
    known = rows[rows["known"]]
    say("\nright line, share of lots with a main of their own on record")
    say("  kind         lots   nearest   with the address   sitegis   wrong to nearest   at best")
    for name, part in [*known.groupby("kind"), ("all", known)]:
        wrong = (~part["hit"]).mean() / max((~part["nearest"]).mean(), 1e-9)
        say(
            f"  {name:10s} {len(part):6d} {part['nearest'].mean():9.1%} "
            f"{part['addressed'].mean():18.1%} {part['hit'].mean():9.1%} {wrong:8.2f} "
            f"{part['best'].mean():18.1%}"
        )


def say_classes(rows: pd.DataFrame) -> None:
    told = rows[rows["answer"] == "main on record"]
    say(
        "\nstated probability of the line against hits, by class (lots without any answer: "
        f"{len(rows) - len(told)})"
    )
    say("  class           lots    stated      hit   apart, points")
    for low, high in itertools.pairwise(CLASSES):
        part = told[(told["stated"] > low) & (told["stated"] <= high)]
        if len(part):
            stated, hit = part["stated"].mean(), part["hit"].mean()
            say(
                f"  {low:.2f} to {high:.2f} {len(part):7d} {stated:9.1%} {hit:8.1%} "
                f"{100 * (hit - stated):+10.1f}"
            )
    stated, hit = told["stated"].mean(), told["hit"].mean()
    say(f"  all          {len(told):7d} {stated:9.1%} {hit:8.1%} {100 * (hit - stated):+10.1f}")


def say_intervals(rows: pd.DataFrame) -> None:
    part = rows[rows["in_50"].notna()]
    say(
        f"\nstation of the tap on the right line, {len(part)} lots; median error "
        f"{part['error_m'].median():.1f} m"
    )
    for level in (50, 80, 95):
        held, width = part[f"in_{level}"].astype(bool).mean(), part[f"width_{level}"].median()
        say(f"  {level} % interval holds {held:6.1%}, median width {width:5.1f} m")


if __name__ == "__main__":
    asked = argparse.ArgumentParser()
    asked.add_argument("--uneven", action="store_true")
    asked.add_argument("--known", type=float, default=0.0)
    asked.add_argument("--basements", type=float, default=-1.0)
    asked.add_argument("given", type=int, nargs="*")
    said = asked.parse_args()
    main(
        said.given[0] if said.given else 900,
        said.given[1:] or [1, 2, 3, 4],
        UNEVEN if said.uneven else Faults(),
        said.known / 100.0,
        said.basements,
    )
