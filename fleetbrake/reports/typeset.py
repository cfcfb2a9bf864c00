"""Charts as SVG and documents as PDF: the two programs that set them get data as JSON, never as markup."""

import json
from datetime import date
from importlib.resources import files
from typing import Any

import typst
import vl_convert

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.reports.measures import Measures, System
from fleetbrake.reports.printed import all_printed


def svg(chart: Any) -> bytes:
    """A chart as an SVG picture; texts that cannot be printed would end the whole program and get a mark instead."""
    spec = json.dumps(all_printed(chart.to_dict()), default=_plain)
    return vl_convert.vegalite_to_svg(spec).encode()  # type: ignore[no-any-return]


def pdf(document: str, data: dict[str, Any], pictures: dict[str, bytes]) -> bytes:
    """A document of this package (its ``.typ`` file) set with ``data`` and ``pictures`` (name -> SVG).

    Raises
    ------
    FleetbrakeError
        If it cannot be set.
    """
    inputs = {
        "main": files("fleetbrake.reports").joinpath(document).read_bytes(),
        "data.json": json.dumps(all_printed(data), ensure_ascii=False).encode(),
        **pictures,
    }
    try:
        # the package's types do not tell that it takes several files by name; its documentation does
        return bytes(typst.compile(inputs, format="pdf"))  # type: ignore[call-overload]
    except typst.TypstError as error:
        raise FleetbrakeError(f"The document cannot be set: {error.message}") from error


def paper(measures: Measures) -> str:
    """The sheet that printers hold where those units are read: A4, or US letter (own choice)."""
    return "us-letter" if measures.system is System.US else "a4"


def _plain(value: object) -> str:
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} in a chart")
