"""Charts of the month's workbook, drawn by the program that opens it from the figures of one sheet.

A chart is a row of labels with a figure each and its 90 % interval as error bars; what is not known leaves a gap.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd
import pyarrow as pa

from fleetbrake.reports import look
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.monthly.month_pdf_parts import HEADS
from fleetbrake.reports.monthly.month_pdf_parts_fleet import trend_rows
from fleetbrake.reports.monthly.month_xlsx_cells import Exact, Formats, cell_text, with_digits
from fleetbrake.reports.monthly.month_xlsx_tables import Explained, print_setup, write_heads
from fleetbrake.reports.source import nullable_frame

FIGURES_SHEET: Final = "chart_figures"
#: Bars of one chart at most (own choice: their names stay readable); letters of such a name.
MOST_BARS, MOST_SCORES, _MOST_LETTERS = 12, 25, 28
_COLOUR, _INTERVAL, _GRID = "#3f8790", "#1f2a33", "#d8dee3"
_SPLITS: Final = {"depot": "depot", "category": "category", "surface": "road surface"}
_SIZE: Final = {"width": 470, "height": 270}
#: Columns and rows of cells between the upper left corners of two charts, at the sheets' usual size of a cell.
_ACROSS, _DOWN = 7, 15


@dataclass(frozen=True)
class Block:
    """The figures of one chart: labels with value and interval (NaN: not known), as they are read; ``top``: the end of
    their scale, None where they give it."""

    title: str
    unit: str
    labels: tuple[str, ...]
    values: tuple[float, ...]
    lows: tuple[float, ...]
    highs: tuple[float, ...]
    digits: int = 2
    top: float | None = None

    @property
    def known(self) -> bool:
        """Whether there is anything to draw."""
        return not all(math.isnan(value) for value in self.values)


def trend_blocks(tables: Mapping[str, pa.Table], measures: Measures) -> list[Block]:
    """One block a measure: its rate in the last twelve months."""
    return [_trend(trend_rows(tables["fleet_months"], measure), title, measures) for measure, title in HEADS.items()]


def _trend(rows: pd.DataFrame, title: str, measures: Measures) -> Block:
    rate = bool(rows["per_distance"].any()) if len(rows) else True
    unit = measures.label("per_distance") if rate else "counted"
    return _block(rows, title, unit, [str(m) for m in rows["month"]], measures if rate else None)


def rate_blocks(tables: Mapping[str, pa.Table], measures: Measures) -> Iterator[list[Block]]:
    """For each split of the fleet one block a measure: the parts with most applications."""
    rows = nullable_frame(tables["month_rates"])
    rows = rows.rename(
        columns={"rate_per_1000km": "value", "rate_low_per_1000km": "low", "rate_high_per_1000km": "high"}
    )
    for dimension, words in _SPLITS.items():
        mine = rows[rows["dimension"] == dimension]
        yield [
            _rates(mine[mine["measure"] == m], f"{title} by {words}", dimension, measures) for m, title in HEADS.items()
        ]


def _rates(rows: pd.DataFrame, title: str, dimension: str, measures: Measures) -> Block:
    most = rows.assign(order=rows["part"].fillna("")).sort_values(["events", "order"], ascending=[False, True])
    kept = most.head(MOST_BARS).sort_values("part", na_position="last")
    if len(rows) > MOST_BARS:
        title += f": {MOST_BARS} of {len(rows):,}, those with most applications"
    labels = [_part(part, dimension) for part in kept["part"]]
    return _block(kept, title, measures.label("per_distance"), labels, measures)


def _part(part: object, dimension: str) -> str:
    if not isinstance(part, str):
        return "not known"
    return look.SURFACE_TEXT.get(part, part) if dimension == "surface" else part


def score_block(seen: pd.DataFrame) -> Block:
    """Scores of the vehicles to inspect, in their order; those without a score are left out."""
    scored = seen[seen["health_score"].notna()].head(MOST_SCORES)
    rows = scored.rename(columns={"health_score": "value", "score_low": "low", "score_high": "high"})
    title = "Health scores of vehicles to inspect"
    if int(seen["health_score"].notna().sum()) > MOST_SCORES:
        title += f": the first {MOST_SCORES}"
    block = _block(rows, title, "0 to 100, 100 = nothing found", [str(v) for v in rows["vehicle_id"]], None, digits=1)
    return replace(block, top=100.0)


def _block(
    rows: pd.DataFrame, title: str, unit: str, labels: Sequence[str], rates: Measures | None, digits: int = 2
) -> Block:
    figures = [rows[name].astype("Float64").astype(float) for name in ("value", "low", "high")]
    told = [rates.of("per_distance", column) if rates else column for column in figures]
    values, lows, highs = (tuple(map(float, column)) for column in told)
    return Block(title, unit, tuple(labels), values, lows, highs, digits)


EXPLAINED: Final = (
    Explained("chart", "", "text", "chart that the row is drawn in"),
    Explained("label", "", "text", "month, part of the fleet or vehicle, cut after some letters"),
    Explained("value", "as unit says", "number", "what is drawn; empty where it is not known"),
    Explained("low", "as unit says", "number", "lower end of its 90 % interval"),
    Explained("high", "as unit says", "number", "upper end"),
    Explained("below", "as unit says", "number", "value less low: length of the error bar downwards"),
    Explained("above", "as unit says", "number", "high less value: length of the error bar upwards"),
    Explained("unit", "", "text", "unit of the figures"),
)


class Figures:
    """The sheet of figures behind the charts, filled block by block."""

    def __init__(self, book: Any, sheet: Any, formats: Formats, measures: Measures) -> None:
        self._book, self._sheet, self._formats, self._line = book, sheet, formats, 1
        widths = (48.0, 30.0, 11.0, 11.0, 11.0, 11.0, 11.0, 30.0)
        write_heads(sheet, formats, 0, [column.heading for column in EXPLAINED], widths)
        sheet.freeze_panes(1, 2)
        print_setup(sheet, measures, widths, head_row=0)

    def draw(self, block: Block, kind: str) -> Any:
        """The chart of a block: ``line`` over months, ``bar`` with the first on top."""
        first, last = self._line, self._line + len(block.labels) - 1
        self._write(block)
        chart = self._book.add_chart({"type": kind})

        def cells(column: str) -> str:
            return f"={FIGURES_SHEET}!${column}${first + 1}:${column}${last + 1}"

        bars = {"type": "custom", "plus_values": cells("G"), "minus_values": cells("F")}
        series: dict[str, Any] = {
            "name": block.unit,
            "categories": cells("B"),
            "values": cells("C"),
            "y_error_bars": {**bars, "line": {"color": _INTERVAL, "width": 1.25}},
        }
        if kind == "line":
            series["marker"] = {"type": "circle", "size": 6, "fill": {"color": _COLOUR}, "border": {"color": _COLOUR}}
            series["line"] = {"color": _COLOUR, "width": 1.25}
        else:
            series |= {"fill": {"color": "#9cc3c6"}, "border": {"none": True}, "gap": 60}
        chart.add_series(series)
        _dress(chart, block, kind)
        return chart

    def _write(self, block: Block) -> None:
        form = self._formats.of(num_format=with_digits(block.digits))
        for label, value, low, high in zip(block.labels, block.values, block.lows, block.highs, strict=True):
            self._sheet.write_string(self._line, 0, block.title)
            self._sheet.write_string(self._line, 1, cell_text(look.clipped(label, _MOST_LETTERS)))
            for place, figure in enumerate((value, low, high, value - low, high - value), start=2):
                if not math.isnan(figure):
                    self._sheet.write_number(self._line, place, Exact(figure), form)
            self._sheet.write_string(self._line, 7, block.unit)
            self._line += 1


def _axis_end(block: Block) -> float:
    """A round end of the scale behind the longest interval: the programs that draw would cut it off."""
    top = max((high for high in (*block.highs, *block.values) if not math.isnan(high)), default=0.0)
    if top <= 0:
        return 1.0
    step = 10.0 ** math.floor(math.log10(top))
    return next(step * part for part in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if step * part >= top)


def _dress(chart: Any, block: Block, kind: str) -> None:
    plain = {"name_font": {"bold": False, "size": 9}, "num_font": {"size": 9}}
    chart.set_title({"name": block.title, "name_font": {"size": 11, "bold": True}, "overlay": False})
    value_axis = {"name": block.unit, "min": 0, "major_gridlines": {"visible": True, "line": {"color": _GRID}}, **plain}
    value_axis["num_format"] = "General"
    category_axis: dict[str, Any] = {**plain}
    value_axis["max"] = block.top or _axis_end(block)
    if kind == "bar":
        category_axis["reverse"] = True  # the first row stands on top
        value_axis["label_position"] = "high"  # with the categories turned, that is below
        # bars lie: what stands below is the axis of their values
        chart.set_x_axis(value_axis)
        chart.set_y_axis(category_axis)
    else:
        chart.set_x_axis(category_axis)
        chart.set_y_axis(value_axis)
    chart.set_legend({"none": True})
    chart.show_blanks_as("gap")
    chart.set_chartarea({"border": {"color": _GRID}})


def insert(sheet: Any, line: int, column: int, chart: Any, block: Block, height: int = _SIZE["height"]) -> None:
    """Put a chart on a sheet, with words for those who do not see it."""
    chart.set_size({**_SIZE, "height": height})
    words = f"{block.title}, {block.unit}, with 90 % intervals; figures in the sheet {FIGURES_SHEET}"
    sheet.insert_chart(line, column, chart, {"object_position": 3, "description": words})


def charts_sheet(
    sheet: Any, formats: Formats, figures: Figures, scores: Block, rates: Sequence[Sequence[Block]], measures: Measures
) -> None:
    """The sheet of charts: scores of the vehicles to inspect, then rates, a row of charts for each split."""
    sheet.hide_gridlines(2)
    sheet.set_column(0, 3 * _ACROSS, 9.3)
    sheet.write_string(0, 0, "Scores and rates with 90 % intervals", formats.of(bold=True, font_size=14))
    line = 2
    for row in ([scores], *rates):
        below = line
        for place, block in enumerate(row):
            if block.known:
                tall = max(_SIZE["height"], 90 + 18 * len(block.labels))
                insert(sheet, line, place * _ACROSS, figures.draw(block, "bar"), block, tall)
                below = max(below, line + tall // 20 + 1)
            else:
                sheet.write_string(line, place * _ACROSS, f"{block.title}: none known.", formats.of(italic=True))
                below = max(below, line + 2)
        line = below + 1
    print_setup(sheet, measures, [9.3] * (3 * _ACROSS))
