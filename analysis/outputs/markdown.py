"""Energies as Markdown."""

import re

from analysis.outputs import found, wording
from analysis.outputs.answers import answers
from analysis.report import EnergyReport, PhoneEnergy
from parsers.text import printable

FILE_NAME = "energy.md"
_SPECIAL = re.compile(r"([\\`*_{}\[\]<>()#+!|~&-])")


def render(report: EnergyReport) -> str:
    """One table per phone, the answer before and what needs attention after."""
    parts = [f"# {_safe(wording.title(report))}", ""]
    parts += [f"- {_safe(answer)}" for answer in answers(report)]
    for phone in report.phones:
        parts += ["", *_phone(report, phone)]
    parts += ["", "Energy taken out of the battery; in brackets a 95 % interval."]
    if legend := wording.legend(report):
        parts += ["", f"{_safe(legend)}."]
    parts += ["", *(f"- {limit}" for limit in wording.LIMITS)]
    if report.virtual:
        parts += ["", wording.VIRTUAL]
    return "\n".join(parts) + "\n"


def _phone(report: EnergyReport, phone: PhoneEnergy) -> list[str]:
    several, methods = wording.repeated(report), wording.methods_of(phone)
    true_head, true_rule = ("| true mWh ", "|---:") if report.virtual else ("", "")
    lines = [
        f"## {_safe(phone.phone)}",
        "",
        *([f"Method: {wording.methods_text(phone)}.", ""] if methods else []),
        f"| segment | time | mWh | mW | level used, % | max °C {true_head}|",
        f"|---|---:|---:|---:|---:|---:{true_rule}|",
    ]
    for segment in phone.segments:
        name = wording.marked(segment, several, methods)
        true = f"| {wording.number(segment.true_energy_mwh)} " if report.virtual else ""
        lines.append(
            f"| {_safe(name)} | {wording.duration_text(segment.amount.duration_s)} "
            f"| {wording.energy_text(segment.amount)} ({wording.interval_text(segment.amount)}) "
            f"| {wording.power_text(segment.amount)} "
            f"| {wording.percent_text(segment)} "
            f"| {wording.number(segment.temperature_max_c)} {true}|"
        )
    for name, amount, true_mwh in (
        ("untagged", phone.untagged, phone.true_untagged_mwh),
        ("total", phone.total, phone.true_total_mwh),
    ):
        true = f"| {wording.number(true_mwh)} "
        lines.append(
            f"| {name} | {wording.duration_text(amount.duration_s)} "
            f"| {wording.energy_text(amount)} ({wording.interval_text(amount)}) "
            f"| {wording.power_text(amount)} | | {true if report.virtual else ''}|"
        )
    for title, said in (
        ("Needs attention", found.doubts(report, phone)),
        ("Worth knowing", found.facts(report, phone)),
    ):
        if said:
            lines += ["", f"{title}:", "", *(f"- {_safe(printable(x, 300))}" for x in said)]
    return lines


def _safe(text: str) -> str:
    return _SPECIAL.sub(r"\\\1", text)
