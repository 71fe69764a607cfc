"""deliver: what is done with a delivery's finished files. The work is in pipeline/deliver/."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import ConfigDict, Field, field_validator

from pipeline.deliver.address import FIELDS, FORMS, parse_address
from pipeline.deliver.model import Wanted
from pipeline.steps.base import NoMeasurement, NoSolution, Order, Params, Step
from pipeline.types import Domain


class DeliverParams(Params):
    """Parameters of deliver: what is done with a delivery's finished files."""

    # A refused value may be a password in the wrong place: it is never repeated.
    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    zip: bool = Field(False, description="a zip of the files with their SHA-256 checksums")
    page: bool = Field(False, description="a web page of the files, index.html in their folder")
    contact_sheet: Literal["a4", "letter"] | None = Field(
        None, description="a PDF to print, contact-sheet.pdf in their folder, on this paper (extra sheet)"
    )
    push: str | None = Field(
        None,
        description="address the files are sent to: a folder, sftp://user@host/folder or s3://bucket/folder; "
        f"may use {', '.join('{' + f + '}' for f in FIELDS)}",
    )

    @field_validator("zip", "page", mode="before")
    @classmethod
    def _yes_or_no(cls, value: Any) -> Any:
        if not isinstance(value, bool):
            raise ValueError("write true or false")  # without the value: see above
        return value

    @field_validator("push", mode="before")
    @classmethod
    def _address(cls, value: Any) -> Any:
        if value is None:
            return None
        if not isinstance(value, str):
            raise ValueError(f"write one address: {FORMS[6:]}")
        parse_address(value)
        return value


def wanted(params: DeliverParams) -> Wanted:
    """What is done with the delivery's finished files."""
    return Wanted(params.zip, params.page, params.push, params.contact_sheet)


STEP: Step[DeliverParams, NoMeasurement, NoSolution] = Step(
    name="deliver",
    version=1,
    summary="When the files are made: a zip with checksums, a web page, a contact sheet, a push to where they go.",
    Params=DeliverParams,
    place="delivery",
    takes=(Domain.DISPLAY,),
    order=Order.AFTERWARDS,
    misplaced="deliver comes when the files are made; put it last",
    wanted=wanted,
)
