"""What the answer says, once for page, record, terminal and notebook: sections in site units.

``answer`` holds which main and what to do next, ``digging`` pits and tie-ins, ``pipes`` depths,
falls and loads. A renderer sets sections; it forms no sentence and no number of its own.
"""

from __future__ import annotations

from ...model.survey import Survey
from . import answer, digging, pipes
from .section import Section

Report = dict[str, list[Section]]


def report(survey: Survey) -> Report:
    """Return every section of a survey whose blocks are filled, by its part, in their order.

    Of ``tie_ins`` each planned fixture has two: what is planned, and what the code says.
    """
    return {
        "lead": [answer.lead_section(survey)],
        "routes": [answer.route_section(survey)],
        "mains": [answer.main_section(survey)],
        "check": [answer.check_section(survey)],
        "discriminating": [digging.discriminating_section(survey)],
        "pits": [digging.pit_section(survey)],
        "excavations": [digging.excavation_section(survey)],
        "vacuum": [digging.vacuum_section(survey)],
        "tie_ins": digging.tie_in_sections(survey),
        "falls": [pipes.fall_section(survey)],
        "branches": pipes.branch_sections(survey),
        "depths": [pipes.depth_section(survey)],
        "flags": [answer.flag_section(survey)],
        "notices": [answer.notice_section(survey)],
        "cautions": [Section("Cautions", sentences=survey.rules.cautions)],
    }
