"""The plan as one self-contained page, for paper and for a phone.

Owns: the HTML form. No script, no outside resource. Must not know: how the plan was made.
"""

from __future__ import annotations

from html import escape
from string import Template

from coalminder.food.kitchen import Kitchen, spoon_warning
from coalminder.food.render_text import cook_line, figure_text, heading, row_cells
from coalminder.food.sources import SOURCES, Grade, source_lines
from coalminder.food.timeline import Timeline

_PAGE = Template("""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>$title</title>
<style>
:root { color-scheme: light; }
body { font: 1rem/1.4 Georgia, "Times New Roman", serif; color: #1c1a17; background: #fff;
       max-width: 46rem; margin: 0 auto; padding: min(1rem, 5vw); overflow-wrap: anywhere; }
h1 { font-size: 1.35rem; margin: 0 0 .3rem; }
h2 { font-size: 1.05rem; margin: 1.4rem 0 .3rem; border-bottom: 1px solid #1c1a17; }
ol { list-style: none; padding: 0; margin: 0; }
ol li { display: flex; flex-wrap: wrap; gap: .2rem .6rem; padding: .45rem 0;
        border-bottom: 1px solid #d9d4cb; break-inside: avoid; }
time { flex: 0 0 6.4rem; font-variant-numeric: tabular-nums; font-weight: bold; }
.tick { flex: 0 0 1rem; height: 1rem; border: 1.5px solid #1c1a17; margin: .15rem .3rem 0 0; }
.do { flex: 1 1 min(11rem, 100%); }
.long { color: #5b554b; font-size: .9em; }
table { border-collapse: collapse; width: 100%; }
td { padding: .15rem .4rem .15rem 0; vertical-align: top; border-bottom: 1px solid #ece8e0; }
td:nth-child(2) { font-variant-numeric: tabular-nums; }
td:nth-child(3) { color: #5b554b; font-size: .85em; }
ul { padding-left: 1.1rem; margin: .3rem 0; }
.warn { border: 2px solid #1c1a17; padding: .4rem .8rem; break-inside: avoid; }
small { color: #5b554b; }
@media print { body { font-size: 10.5pt; max-width: none; padding: 0; } h2 { break-after: avoid; } }
</style>
</head>
<body>
<main>
<h1>$title</h1>
<p>$cook</p>
<ol>
$rows
</ol>
$warnings
$sections
<h2>Cautions</h2>
<ul>
$cautions
</ul>
$sources
</main>
</body>
</html>
""")


def html_page(plan: Timeline, kitchen: Kitchen, sources: bool = False) -> str:
    """The page as text (UTF-8)."""
    rows = []
    for row in plan.rows:
        when, lasts, title, words = row_cells(row, kitchen)
        long = f' <span class="long">({escape(lasts)})</span>' if lasts else ""
        rows.append(
            f'<li><time datetime="{row.at.isoformat()}">{escape(when)}</time><span class="tick"></span>'
            f'<span class="do"><b>{escape(title)}</b>{long}<br>{escape(words)}</span></li>'
        )
    sections = []
    for name, figures in plan.figures:
        lines = []
        for figure in figures:
            source = SOURCES[figure.source]
            mark = source.mark if sources else ("from memory*" if source.grade is Grade.MEMORY else "")
            cells = (
                kitchen.words(figure.name),
                figure_text(figure, kitchen),
                f"{figure.source}: {mark}" if sources else mark,
            )
            lines.append("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in cells) + "</tr>")
        extra = ""
        if name == "Brine":
            extra = f"<p>{escape(spoon_warning(plan.brining.recipe.salt_kg))}</p>"
        if name == "Fire":
            extra = "".join(f"<p>{escape(kitchen.words(line))}</p>" for line in plan.fire.text)
        sections.append(f"<h2>{escape(name)}</h2>\n<table>{''.join(lines)}</table>{extra}")
    warnings = ""
    if plan.warnings:
        warnings = (
            f'<div class="warn"><b>Mind</b><ul>{_items([kitchen.words(w) for w in plan.warnings])}</ul></div>'
        )
    listed = (
        f"<h2>Sources</h2><ul>{_items(source_lines(plan.source_keys()))}</ul>"
        if sources
        else "<p><small>* from memory, not read in its source: used on the safe side.</small></p>"
    )
    return _PAGE.substitute(
        title=escape(heading(plan, kitchen)),
        cook=escape(cook_line(plan, kitchen)),
        rows="\n".join(rows),
        warnings=warnings,
        sections="\n".join(sections),
        cautions=_items([kitchen.words(c) for c in plan.cautions]),
        sources=listed,
    )


def _items(lines: tuple[str, ...] | list[str]) -> str:
    return "\n".join(f"<li>{escape(line)}</li>" for line in lines)
