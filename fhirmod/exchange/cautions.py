"""What every screen and export says besides its numbers: statements of what they are, never instructions.

Source: common practice, no published source, unless a line of the project's references names one.
"""

CAUTIONS: tuple[str, ...] = (
    "This is a record of care. It does not diagnose, prescribe or decide; local protocol and licensed staff prevail.",
    "It is neither a monitor nor an alarm. Help comes before writing; clocks at the bedside go on without it.",
    "A balloon is one step of a plan in which surgery, blood and senior help are within reach.",
    "Retained tissue, tears and rupture are not treated by a balloon; local protocol says how they are excluded.",
    "A dry drain does not show that bleeding has stopped; without a drain lumen nothing can drain.",
    "Blood held inside is in no figure of loss.",
    "For bleeding that goes on after filling, local protocol has a step of its own.",
    "A normal blood pressure does not exclude a serious loss.",
    "A shock index under 0.9 does not cancel a concern; most women who come to harm do not reach 1.7.",
    "Beta-blockers, pre-eclampsia, fever, pain and recent ergot mislead the shock index.",
    "Tables of warning criteria differ between hospitals: name and version are shown; missing values mean incomplete.",
    "Figures of blood loss are estimates; those by eye run low.",
    "The label of the balloon in hand gives its maximum. What is recorded is not what is inside if it leaks or slips.",
    "Past the site's limit of time in place, a senior review is what protocols ask for.",
    "Emptying belongs where the people, theatre and blood of local protocol are; bleeding can return then and later.",
    "Packs in and out agree, or the difference stays open. A difference of volume may be a leak or an error of record.",
    "Checks of drugs are for plausibility of the record, not for dosing.",
    "Not known is not no; not recorded is not not done. Other devices may hold newer entries.",
    "Demonstration and drill data are invented.",
)
