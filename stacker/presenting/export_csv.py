"""The frame table as CSV by RFC 4180: a header line, commas, CRLF."""

from __future__ import annotations

from stacker.documents.plan import COLUMNS, Plan


def csv_text(plan: Plan) -> str:
    """Every row of the plan, with the decimals of its file; what does not apply or is not known is empty.

    The names in the header end in their units, as in the plan. All cells are numbers, so that none needs quotes.
    """
    lines = [",".join(COLUMNS)]
    columns = []
    for column, values in zip(COLUMNS.values(), plan.frames.columns(), strict=True):
        cell = "{:d}" if column.decimals is None else f"{{:.{column.decimals}f}}"
        columns.append(["" if value is None else cell.format(value) for value in values])
    lines.extend(map(",".join, zip(*columns, strict=True)))
    return "\r\n".join(lines) + "\r\n"
