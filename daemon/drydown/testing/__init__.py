"""What plugin authors test with: pictures, a job, a step or a whole recipe run as a job runs it, and the contract that every step keeps.

Public, like `drydown.api` and `drydown.imaging`. `contract` gives a plugin's tests in one line::

    from drydown.testing import Case, contract
    from my_plugin import OFFER

    TestContract = contract(Case(OFFER, {"strength": 0.4}))
"""

from drydown.testing.cases import Case
from drydown.testing.contract import contract
from drydown.testing.jobs import a_job, paper_profile
from drydown.testing.pictures import (
    PICTURES,
    a_frame,
    flat,
    grey_ramp,
    hue_ramp,
    image,
    photograph,
    values,
)
from drydown.testing.runs import STANDARD_RECIPE, run_recipe, run_sheet, run_step, write_picture

__all__ = [
    "PICTURES",
    "STANDARD_RECIPE",
    "Case",
    "a_frame",
    "a_job",
    "contract",
    "flat",
    "grey_ramp",
    "hue_ramp",
    "image",
    "paper_profile",
    "photograph",
    "run_recipe",
    "run_sheet",
    "run_step",
    "values",
    "write_picture",
]
