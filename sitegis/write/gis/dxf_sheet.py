"""The sheet of a DXF drawing: a viewport that shows the site and its title block to scale.

The title block stands in the model, within the viewport: programs that know no paper space draw
a text of the sheet at the grid's origin, hundreds of miles from the site.
"""

from __future__ import annotations

import re

from ezdxf.document import Drawing
from ezdxf.layouts.layout import Paperspace

from ...geometry.frames import Array
from ...model.survey import Survey
from ...units import is_imperial
from ..record.sheet import Scale, scales

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
# sheet, margin and title block in millimeters, whatever the site's units: ANSI B and ISO A3
_SHEETS_MM = {True: (431.8, 279.4), False: (420.0, 297.0)}
_MARGIN_MM = 12.0


def plain_text(text: str) -> str:
    r"""Make a text harmless in a drawing: no control characters, no ``%%`` or caret codes.

    >>> plain_text("50%%d ^J{x}\n")
    '50% %d ^ J{x} '
    """
    return re.sub(r"%(?=%)", "% ", _CONTROL.sub(" ", text)).replace("^", "^ ")


def add_sheet(drawing: Drawing, survey: Survey, low: Array, high: Array) -> Scale:
    """Lay out the drawing's first sheet: a viewport on the site and its title block.

    Parameters
    ----------
    drawing : ezdxf.document.Drawing
        Its model space in the CRS and its unit.
    survey : Survey
        For the units of its site and the unit of its grid.
    low, high : ndarray, shape (2,)
        Corners of what must be seen, grid coordinates in the unit of the CRS.

    Returns
    -------
    Scale
        The largest usual scale at which all of it fits.

    Raises
    ------
    ValueError
        If it fits at no scale.
    """
    site, frame = survey.site, survey.site.frame
    size = _SHEETS_MM[is_imperial(site.units)]
    room = (size[0] - 2 * _MARGIN_MM, size[1] - 2 * _MARGIN_MM)
    on_paper = 0.001 / frame.meters_per_unit  # grid units in a millimeter
    scale = next(
        (
            one
            for one in scales(site.units)
            if all((high - low)[i] <= room[i] * one.ratio * on_paper for i in (0, 1))
        ),
        None,
    )
    if scale is None:
        raise ValueError("the site is too large for any drawing scale")
    sheet = drawing.layouts.get("Layout1")
    assert isinstance(sheet, Paperspace)
    sheet.page_setup(size=size, margins=(0, 0, 0, 0), units="mm")
    sheet.add_viewport(
        center=(size[0] / 2, size[1] / 2),
        size=room,
        view_center_point=tuple((low + high) / 2),
        view_height=room[1] * scale.ratio * on_paper,
    )
    return scale
