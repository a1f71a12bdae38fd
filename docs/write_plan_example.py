"""Put the answer of a search into docs/plan.md: python docs/write_plan_example.py (two minutes on two cores)."""

from __future__ import annotations

import tempfile
from pathlib import Path

import roomsim
from roomsim.report.planning_tables import money_table, options_table, target_table
from roomsim.report.planning_words import search_notes, summary

PAGE = Path(__file__).parent / "plan.md"
STUDY = Path(__file__).parent.parent / "geometry" / "depot" / "drape_or_boxes.toml"
BEGIN, END = "<!-- example begins -->\n", "<!-- example ends -->\n"
WIDTH = 150


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        found = roomsim.plan(STUDY, folder)
    parts = ["\n".join(summary(found))]
    parts += [table(found).text(WIDTH) for table in (options_table, money_table, target_table)]
    parts.append("\n".join(search_notes(found)))
    page = PAGE.read_text("utf-8")
    before, after = page.split(BEGIN)[0], page.split(END)[1]
    answer = "\n\n".join(part.strip("\n") for part in parts)
    PAGE.write_text(f"{before}{BEGIN}\n```text\n{answer}\n```\n\n{END}{after}", "utf-8")


if __name__ == "__main__":
    main()
