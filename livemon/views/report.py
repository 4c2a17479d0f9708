"""The report: one self-contained HTML page to print, send or keep with the job card.

Needs the `report` extra (jinja2, matplotlib). Every text is escaped; figures are inline SVG.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

import livemon
from livemon.errors import UsageError
from livemon.files import write_whole
from livemon.records import Stretch
from livemon.views import assumed, result, sentences
from livemon.views.labels import label, number, rows, share
from livemon.views.plain import standing_sentence, unsaid_limits
from livemon.views.snapshot import Drive
from livemon.vin import mask

STRETCHES: Final = 20  # in the table; a page, not a log
BLANKS: Final = ("Plate", "Odometer", "Complaint", "Technician", "Date and signature")  # to fill in by hand
_WHEN: Final = "%Y-%m-%d %H:%M"


def check() -> None:
    """Raise UsageError when the report extra is not installed. Cheap: loads neither package."""
    missing = [name for name in ("jinja2", "matplotlib") if find_spec(name) is None]
    if missing:
        raise UsageError(
            "the packages of the report extra",
            f"no {' and no '.join(missing)}",
            "--report",
            "pip install '.[report]' in the folder livemon was installed from",
        )


def write(path: str | Path, drive: Drive, written: datetime | None = None) -> None:
    """Write the report of one drive. Raises UsageError for a missing extra or an unwritable place."""
    check()
    from livemon.views.report_figures import all_figures

    page = render(drive, all_figures(drive), written or datetime.now().astimezone())
    write_whole(path, page, "give another --report path")


def render(drive: Drive, figures: Mapping[str, str], written: datetime) -> str:
    """The page as text. `figures` is trusted SVG, everything else is escaped."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    def safe(value: Any) -> Any:
        return value if isinstance(value, Markup) else sentences.clean(value)

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, finalize=safe, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {
        "num": number,
        "label": label,
        "rows": rows,
        "clock": sentences.clock,
        "percent": sentences.percent,
    }
    template = environment.from_string(Path(__file__).with_name("report.html").read_text(encoding="utf-8"))
    standing = result.probabilities(drive.probabilities)
    return template.render(
        drive=drive,
        call=drive.call,
        headline=sentences.headline(drive.call.finding, drive.call.because, drive.call.against),
        how_sure=standing_sentence(drive.call, drive.probabilities),
        standing=sorted(((sentences.SHORT[n], p) for n, p in standing.items()), key=lambda row: -row[1]),
        findings=[(sentences.SHORT.get(f.finding, f.finding), f) for f in drive.findings],
        launches=[launch_row(launch) for launch in drive.launches],
        stretches=[launch_row(stretch) for stretch in telling(drive.stretches)],
        limits=unsaid_limits(drive),
        assumed=assumed.sentence(drive.vehicle),
        cautions=sentences.cautions(drive.call.check_next),
        warnings=[(w, sentences.warned(w, w.probability)) for w in drive.warnings],
        regimes=[(sentences.REGIME.get(r, r), s) for r, s in drive.regime_s.items()],
        rates=[(sentences.quantity(r.quantity), r.per_s) for r in drive.rates],
        codes=[(kind, code, name) for kind, codes in drive.codes.items() for code, name in codes.items()],
        vin=drive.vin and mask(drive.vin),
        figures={name: Markup(svg) for name, svg in figures.items()},
        safety=sentences.SAFETY,
        driven=None if drive.driven is None else drive.driven.astimezone().strftime(_WHEN),
        written=written.strftime(_WHEN),
        blanks=BLANKS,
        version=livemon.__version__,
    )


def telling(stretches: Sequence[Stretch]) -> list[Stretch]:
    """The longest stretches other than launches that say something, in the order of the drive."""
    useful = [s for s in stretches if s.regime != "launch" and (s.r_k is not None or s.r_t is not None)]
    longest = sorted(useful, key=lambda s: s.start_s - s.end_s)[:STRETCHES]
    return sorted(longest, key=lambda s: s.start_s)


def launch_row(launch: Stretch) -> dict[str, Any]:
    """One launch as shares of what a sound converter shows: bands of two standard deviations."""
    details = {"gear": launch.gear} | launch.details
    lost = [details.pop(key, None) for key in ("r_k_if_reaction_lost", "r_t_if_reaction_lost")]
    return {
        "regime": sentences.REGIME[launch.regime],
        "start_s": launch.start_s,
        "lasted_s": launch.end_s - launch.start_s,
        "samples": launch.samples,
        "k": share(launch.r_k, launch.r_k_sd),
        "torque": share(launch.r_t, launch.r_t_sd),
        "lost": [share(r if isinstance(r, float | int) else None, None) for r in lost],
        "details": "; ".join(f"{name}: {value}" for name, value in rows(details) if value != "not known"),
    }
