"""What a kind of evidence is made of, and what its likelihoods share.

Each item is a mixture: right as reported with its reliability, else flat. A flat part is a
density over the breadth or the block that a stray report could name, so that likelihoods of
different hypotheses compare.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import field, fields
from typing import Annotated, Any, Generic, Literal, TypeVar

import numpy as np
from scipy.special import gammaln

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Reliability, Sd
from ..model.site import Evidence, Main, Site
from ..numerics.statistics import normal_density

# Judgment, no source: breadth and depth over which a stray report may fall, the least block, and
# how often the flow of an unlisted way passes a manhole.
STRAY_BREADTH_M, STRAY_DEPTH_M = 20.0, 2.0
LEAST_BLOCK_M = 30.0
UNLISTED_PASSES = 0.1
LEAST_SD_M = 0.01
_LEAST_RELIABILITY = 0.001
SOURCE = "judgment, no source"

ItemSd = Annotated[
    Sd | None, Ask(hint="give or take how much: a distance, a count, a place", shared=True)
]
Trust = Annotated[
    Reliability | None, Ask(hint="how sure that it is right as reported, 0.5 to 1", shared=True)
]

E = TypeVar("E", bound=Evidence)


@dataclass(frozen=True, slots=True)
class CountTie:
    """The footage at the exit, and its standard deviation, in meters."""

    exit_count_m: float
    sd_m: float


@dataclass(frozen=True, slots=True)
class RouteSet:
    """Fitting routes of one hypothesis, as the likelihoods need them.

    ``turns_rad`` (m, 3) left positive, 0 where there is no bend.
    """

    site: Site
    main: Main
    vertices: Array
    inverts_m: Array
    lengths_m: Array
    stations_m: Array
    turns_rad: Array
    tie: CountTie | None


@dataclass(frozen=True, slots=True)
class Aim:
    """A point (2,) that the route probably meets, with the spread to aim with.

    Exit poses are conditioned on one that is ``held``: a place outdoors that was seen or located.
    ``found`` is one of ``findings.csv``; ``invert_m`` is what was measured there, with its sd.
    """

    point: Array
    sd_m: float
    held: bool = False
    found: bool = False
    invert_m: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """How an item is drawn on the map: a point in lot coordinates, named, and how it is known."""

    name: str
    kind: str
    known: Literal["exposed", "located", "record"]
    x_m: float
    y_m: float
    depth_m: float | None
    sd_m: float | None


@dataclass(frozen=True, slots=True)
class EvidenceFault:
    """What is wrong with an item against the mains, by its name in the catalog of messages.

    ``kind`` is ``fault``, or ``notice`` where only a part is left out; ``key`` is the field within
    the item.
    """

    kind: Literal["fault", "notice"]
    name: str
    key: str
    value: object
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Default:
    """Default reliability and standard deviation of a kind of evidence, and why."""

    reliability: float
    sd_m: float
    words: str


@dataclass(frozen=True, slots=True)
class OnRoute(Generic[E]):
    """Evidence that depends on the route: P(item | route) (m,), and P(item | no listed way)."""

    default: Default
    likelihood: Callable[[E, RouteSet], Array]
    unlisted: Callable[[E, Site], float]


@dataclass(frozen=True, slots=True)
class OfPractice(Generic[E]):
    """Evidence of the practice of the block: P(item | the main it uses), and P(item | the way).

    ``once`` counts only the first item of the kind.
    """

    likelihood: Callable[[E, Main, Site], float]
    of_alternative: Callable[[E, str, Site], float]
    once: bool


@dataclass(frozen=True, slots=True)
class FromArchive(Generic[E]):
    """Evidence out of the city's drawer: P(item | it is wrong, the main that is the practice)."""

    reliability: float
    if_wrong: Callable[[E, str, Site], float]


@dataclass(frozen=True, slots=True)
class AtManhole(Generic[E]):
    """Evidence of what is noticed at a manhole: whether it was, and how often it is falsely."""

    was_noticed: Callable[[E], bool]
    falsely: float


@dataclass(frozen=True, slots=True)
class SharedMiss:
    """Holes that showed nothing: all of a site fail together now and then."""


@dataclass(frozen=True, slots=True)
class EvidenceKind(Generic[E]):
    """All that the program knows of one kind of evidence; nothing has a default.

    ``label`` names it in what people read, ``words`` say what it is, for whoever fills in a
    site. ``on_route`` is None where the item bears on the main alone; ``cause`` is what it shares
    with other items, None where it stands alone. ``check`` holds it against the mains, ``aims``
    lists the points that a route to a main probably meets, ``mark`` draws it (None where it has
    no place), ``assumed`` says what was taken for granted, given the name of its main (None: the
    default of ``on_route``).
    """

    record: type[E]
    label: str
    words: str
    on_route: OnRoute[E] | None
    cause: OfPractice[E] | FromArchive[E] | AtManhole[E] | SharedMiss | None
    check: Callable[[E, tuple[Main, ...]], Iterable[EvidenceFault]]
    aims: Callable[[E, Site, Main], Iterable[Aim]]
    mark: Callable[[E], Mark] | None
    assumed: Callable[[E, Site, str], str] | None
    name: str = field(init=False)

    def __post_init__(self) -> None:
        """Name the kind; ValueError where nothing weighs it or nothing says what it assumes."""
        record: Any = self.record
        name = next(f.default for f in fields(record) if f.name == "kind")
        # frozen records are set so; the kind's name is that of its record's own field
        object.__setattr__(self, "name", name)
        if self.on_route is None and (self.cause is None or self.assumed is None):
            raise ValueError(f"evidence of kind {self.name} has no likelihood or no words")

    def assumption(self, item: E, site: Site, main: str) -> str:
        """Say what an item was taken to be worth; ``main`` is the name of its main.

        Parameters
        ----------
        item
            Item of evidence.
        site
            The site as read.
        main
            Name of the item's main.

        Returns
        -------
        str
            The sentence.
        """
        if self.assumed is not None:
            return self.assumed(item, site, main)
        assert self.on_route is not None  # checked above
        default = self.on_route.default
        given = getattr(item, "reliability", None)
        numbers = [f"reliability {value_words(given, default.reliability)}"]
        if default.sd_m > 0.0:
            numbers.append(f"sd in m {value_words(getattr(item, 'sd_m', None), default.sd_m)}")
        words = "" if given is not None else f": {default.words}"
        return f"{self.label}{words} ({'; '.join(numbers)})."


def as_it_is(item: Any, mains: tuple[Main, ...]) -> Iterable[EvidenceFault]:
    """Check nothing beyond what the record itself does.

    Parameters
    ----------
    item
        Item of evidence.
    mains
        The mains.

    Returns
    -------
    Iterable[EvidenceFault]
        Nothing.
    """
    return ()


def nowhere(item: Any, site: Site, main: Main) -> Iterable[Aim]:
    """Aim at nothing: the item names no place.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.
    main
        The main.

    Returns
    -------
    Iterable[Aim]
        Nothing.
    """
    return ()


def at_its_place(sd_of: Callable[[E, Site], float]) -> Callable[[E, Site, Main], Iterable[Aim]]:
    """Aim at the item's own place, whatever the main, with its spread."""

    def aims(item: Any, site: Site, main: Main) -> Iterable[Aim]:
        return (Aim(place_of(item), sd_of(item, site), held=True),)

    return aims


def place_of(item: Any) -> Array:
    """Return the place (2,) of an item that has one."""
    return np.array([item.x_m, item.y_m])


def reliability_in_force(given: float | None, default: float) -> float:
    """Return the reliability that counts, within 0.1 % of never and always.

    No report is certain, either way: one wrong item must not rule out every way.

    Parameters
    ----------
    given
        Reliability as written, None for the default.
    default
        Default of the kind.

    Returns
    -------
    float
        Reliability in [0.001, 0.999].

    Examples
    --------
    >>> reliability_in_force(None, 0.8), reliability_in_force(1.0, 0.8)
    (0.8, 0.999)
    """
    reliability = default if given is None else float(given)
    return min(max(reliability, _LEAST_RELIABILITY), 1.0 - _LEAST_RELIABILITY)


def sd_in_force(given: float | None, default: float) -> float:
    """Return the standard deviation that counts: 1 cm at least where it is given.

    Parameters
    ----------
    given
        Standard deviation as written, m; None for the default.
    default
        Default of the kind, m.

    Returns
    -------
    float
        Standard deviation, m.
    """
    return default if given is None else max(float(given), LEAST_SD_M)


def value_words(value: float | None, default: float) -> str:
    """Say a number and where it is from.

    Parameters
    ----------
    value
        Value as written, None for the default.
    default
        Default of the kind.

    Returns
    -------
    str
        The phrase.
    """
    return f"{default:g} by default, {SOURCE}" if value is None else f"{value:g} as given"


def student(residual: Array, sd: Array | float, degrees: float) -> Array:
    """Return Student's t density of residuals with scale ``sd``.

    Parameters
    ----------
    residual
        Distances from the middle (...).
    sd
        Scale, of all or of each (...).
    degrees
        Degrees of freedom.

    Returns
    -------
    Array
        Densities (...).
    """
    # Γ((ν + 1)/2) / Γ(ν/2) by logarithms
    constant = gammaln((degrees + 1) / 2) - gammaln(degrees / 2)
    scale = np.exp(constant) / (np.sqrt(degrees * np.pi) * sd)
    return np.asarray(scale * (1.0 + (residual / sd) ** 2 / degrees) ** (-(degrees + 1) / 2))


def near_route(laid: RouteSet, item: Any, reliability: float, sd_m: float) -> Array:
    """Return the likelihood (m,) of a place that lies on the route, Gaussian, or is astray.

    Parameters
    ----------
    laid
        Routes of one hypothesis to one main, m of them.
    item
        Item of evidence.
    reliability
        Probability that it lies on the route.
    sd_m
        Standard deviation across the route, m.

    Returns
    -------
    Array
        Likelihoods (m,), per m across.
    """
    distance, _, _ = polyline.line_locate_point(laid.vertices, place_of(item))
    # right: Gaussian of the distance; astray: even over a breadth, so that both are densities
    return reliability * normal_density(distance, sd_m) + (1.0 - reliability) / STRAY_BREADTH_M


def stray_place(item: Any, site: Site) -> float:
    """Return the density of a place that has nothing to do with the lateral.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Density, per m across.
    """
    return 1.0 / STRAY_BREADTH_M


def counted(
    laid: RouteSet, along_m: Array, count_m: float, sd_m: float, reliability: float
) -> Array:
    """Return the likelihood (m,) of a footage at a length (m,) past the exit, or of a stray one.

    That at the exit plus the length, within its own sd, that of the tie and the cable's slack.

    Parameters
    ----------
    laid
        Routes of one hypothesis to one main, m of them.
    along_m
        Length past the exit (m,), m.
    count_m
        The footage, m.
    sd_m
        Its standard deviation, m.
    reliability
        Probability that it is of this place.

    Returns
    -------
    Array
        Likelihoods (m,), per m.
    """
    if laid.tie is None:
        # footage without a zero says nothing: alike for every route
        return np.full(len(along_m), 1.0 / LEAST_BLOCK_M)
    expected = laid.tie.exit_count_m + along_m
    # a cable is slack by a share of all that is paid out
    slack = laid.site.noise.footage_share * expected
    right = normal_density(count_m - expected, np.sqrt(laid.tie.sd_m**2 + sd_m**2 + slack**2))
    return np.asarray(reliability * right + (1.0 - reliability) / LEAST_BLOCK_M)


def stray_count(item: Any, site: Site) -> float:
    """Return the density of a count that has nothing to do with the lateral.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Density, per m.
    """
    return 1.0 / LEAST_BLOCK_M


def block_m(main: Main) -> float:
    """Return the length of main along which a stray record may fall."""
    return max(float(polyline.length(main.line)), LEAST_BLOCK_M)


def station_from(manhole: str, distance_m: float, main: Main) -> float | None:
    """Return the station at a distance from a manhole; None where the main has no such manhole.

    Parameters
    ----------
    manhole
        Id of the manhole.
    distance_m
        Distance toward higher stations, m.
    main
        The main.

    Returns
    -------
    float | None
        Station, m; None without the manhole.
    """
    found = next((one for one in main.manholes if one.id == manhole), None)
    return None if found is None else found.station_m + distance_m


def passing(laid: RouteSet, manhole_name: str) -> Array:
    """Return the distance (m,) from tap down the main to a manhole; nan where it is not passed.

    Parameters
    ----------
    laid
        Routes of one hypothesis to one main, m of them.
    manhole_name
        Id of the manhole.

    Returns
    -------
    Array
        Distances (m,), m; nan where it is not passed.
    """
    owner = next((m for m in laid.site.mains for h in m.manholes if h.id == manhole_name), None)
    station_m = None if owner is None else station_from(manhole_name, 0.0, owner)
    # the flow of another main never comes by
    if owner is None or owner.id != laid.main.id or station_m is None:
        return np.full(len(laid.stations_m), np.nan)
    distance = station_m - laid.stations_m
    # stations grow with the flow: a manhole upstream of the tap is not passed
    return np.where(distance >= 0, distance, np.nan)


def unlisted_notice(reliability: float, falsely: float, *, noticed: bool) -> float:
    """Return P(what was noticed) where the lateral passes the manhole only by chance.

    Parameters
    ----------
    reliability
        Probability to notice what passes.
    falsely
        Probability to notice what does not pass.
    noticed
        Whether it was noticed.

    Returns
    -------
    float
        Probability.
    """
    # passed by chance, or noticed falsely
    probability = UNLISTED_PASSES * reliability + (1.0 - UNLISTED_PASSES) * falsely
    return probability if noticed else 1.0 - probability
