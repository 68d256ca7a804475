"""What ``CITY.toml`` may hold: pydantic models; attribute columns are named here."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import Field, StringConstraints

from ..model.fields import RuleSetName, Table
from ..model.site import Priors

Units = Literal["ft", "m"]
Text = Annotated[str, StringConstraints(min_length=1, max_length=500, strip_whitespace=True)]


class LayerTable(Table):
    """A vector layer: the file, and the layer's name where the file holds several.

    Only rows whose columns hold one of the values of ``where`` are read, none that hold one of
    ``leave_out``; case does not matter.
    """

    layer: Text
    layer_name: Text | None = None
    where: dict[Text, tuple[Text | int, ...]] = Field(default_factory=dict)
    leave_out: dict[Text, tuple[Text | int, ...]] = Field(default_factory=dict)


class SewerTable(LayerTable):
    """A layer of sewers: ``system`` and ``status`` are columns whose usual words are known."""

    id: Text
    system: Text | None = None
    status: Text | None = None
    units: Units | None = None


class CityTable(Table):
    """``[city]``: what holds for the whole city.

    ``crs`` is the projected CRS to work and write in (default: the parcels'). ``units`` are those
    of elevations and widths in attribute columns. ``sites`` is a folder of site folders named by
    parcel id. ``rule_set`` chooses the cautions. ``basement_share`` is the share of houses that
    have a basement.
    """

    name: Text
    crs: Text | None = None
    units: Units = "ft"
    rule_set: RuleSetName = "us-ipc"
    sites: Text | None = None
    basement_share: Annotated[float, Field(ge=0.0, le=1.0)] | None = None
    lots_per_chunk: Annotated[int, Field(ge=1, le=50_000)] = 2000


class ParcelTable(LayerTable):
    """``[parcels]``: polygons; ``street`` is the street of the address, or the address itself.

    ``ground`` is an elevation in ``units``, the city's where not given. ``basement`` says whether
    the house has one: yes or no, a type, or an area.
    """

    id: Text
    street: Text | None = None
    year_built: Text | None = None
    ground: Text | None = None
    basement: Text | None = None
    units: Units | None = None


class BuildingTable(LayerTable):
    """``[buildings]``: polygons; ``basement`` as for parcels, which are taken first."""

    basement: Text | None = None


class StreetTable(LayerTable):
    """``[streets]``: centerlines; alleys are the rows whose ``kind`` is in ``alley_values``."""

    name: Text | None = None
    kind: Text | None = None
    alley_values: tuple[Text, ...] = ("alley", "lane")


class AlleyTable(LayerTable):
    """``[alleys]``: centerlines that are all alleys."""

    name: Text | None = None


class RowTable(LayerTable):
    """``[rights_of_way]``: polygons; ``kind`` as for streets."""

    name: Text | None = None
    kind: Text | None = None
    alley_values: tuple[Text, ...] = ("alley", "lane")


class MainTable(SewerTable):
    """``[mains]``: lines that run with the flow; inverts at their first and last vertex."""

    invert_up: Text | None = None
    invert_down: Text | None = None


class ManholeTable(SewerTable):
    """``[manholes]``: points; ``rim`` is the elevation of the cover."""

    rim: Text | None = None
    invert: Text | None = None


class LateralTable(LayerTable):
    """``[laterals]``: laterals on record, lines from house to main, or points where one taps.

    ``parcel`` is the id of the lot; without it a line's is where it ends.
    """

    parcel: Text | None = None


class CityFile(Table):
    """The whole of ``CITY.toml``."""

    city: CityTable
    parcels: ParcelTable
    buildings: BuildingTable
    streets: StreetTable | None = None
    alleys: AlleyTable | None = None
    rights_of_way: RowTable | None = None
    mains: MainTable
    manholes: ManholeTable | None = None
    laterals: LateralTable | None = None
    prior: Priors = Priors()


NO_COLUMNS = {"layer", "layer_name", "alley_values", "where", "leave_out", "units"}


def columns_of(table: LayerTable) -> dict[str, str]:
    """Return the columns that a table names, by dotted key below the table."""
    named = {key: column for key, column in table.model_dump(exclude=NO_COLUMNS).items() if column}
    for key in ("where", "leave_out"):
        named |= {f"{key}.{column}": column for column in getattr(table, key)}
    return named


def known_keys(location: tuple[int | str, ...]) -> list[str]:
    """Return the keys that could stand in the place of an unknown one."""
    table: type[Table] = CityFile
    if len(location) > 1:
        annotation = CityFile.model_fields[str(location[0])].annotation
        tables = [annotation, *get_args(annotation)]
        table = next(t for t in tables if isinstance(t, type) and issubclass(t, Table))
    return list(table.model_fields)
