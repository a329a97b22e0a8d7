"""``stacker report``: a page with pictures."""

from __future__ import annotations

from pathlib import Path

import click

from stacker.cli.output import keep_other_files, note, output_options, result_document, write_json
from stacker.cli.plan import next_step


@click.command(name="report")
@click.argument("plan", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Write this file; otherwise NAME.html beside the plan."
)
@output_options
def command(plan: Path, *, output: Path | None, as_json: bool, quiet: bool) -> None:
    """Write one HTML page about PLAN: pictures, tables, bench card, assumptions, warnings.

    It needs no network and opens from a memory stick; printed it is two pages.

    \b
    Example:
      stacker report beetle.plan.yaml
    """
    from stacker.documents.files import stem_of, write_whole
    from stacker.documents.plan_file import read_plan
    from stacker.planning.apertures import aperture_rows
    from stacker.planning.criterion import spectrum_of
    from stacker.presenting.page import BEGINNING
    from stacker.presenting.report import report_page
    from stacker.presenting.svg import require_matplotlib

    require_matplotlib()
    read = read_plan(plan)
    target = output or plan.with_name(f"{stem_of(plan)}.html")
    keep_other_files(target, BEGINNING, "page of a plan")
    rows = [] if read.optics.f_number is None else aperture_rows(read.request)
    page = report_page(read, spectrum_of(read.request.focus), rows)
    write_whole(target, page)
    if as_json:
        write_json(result_document("report", {"path": str(target), "bytes": len(page.encode())}))
    follow = f"open it in a browser, or: {next_step(read, plan)}"
    note(f"Page written to {target}\nNext: {follow}", quiet=quiet or as_json)
