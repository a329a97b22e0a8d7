"""The style sheet of the page: light and dark, a page and a telephone, two sheets of paper.

Blue, orange and magenta stay apart for every common kind of colour blindness, and each is also told by place, dash or
words. Contrast of text is 4.5 to 1 at least (WCAG 2.2, 1.4.3).
"""

from __future__ import annotations

STYLE = """
:root { color-scheme: light dark; --ink: #1c1f24; --faint: #6b717b; --paper: #fbfaf7; --card: #ffffff;
  --rule: #d9d6cd; --subject: #e6e2d6; --one: #2a6fb0; --other: #e39b35; --strong: #a8276b; }
@media (prefers-color-scheme: dark) { :root { --ink: #e9e6df; --faint: #a3a6ad; --paper: #17191d; --card: #1f2227;
  --rule: #3a3e46; --subject: #343a44; --one: #6fb1ea; --other: #c8791f; --strong: #f08cc0; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 54rem; padding: 1rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.45 system-ui, sans-serif; overflow-wrap: anywhere; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 0.5rem 0 0.2rem; }
h2 { font-size: 1.15rem; margin: 1.6rem 0 0.4rem; }
p { margin: 0.3rem 0; }
.lead, figcaption, footer { color: var(--faint); }
section, figure { background: var(--card); border: 1px solid var(--rule); border-radius: 0.5rem; padding: 0.8rem 1rem;
  margin: 0.9rem 0; }
section > h2:first-child, figure > h2:first-child { margin-top: 0; }
dl { display: grid; grid-template-columns: 8.5rem 1fr; gap: 0.25rem 0.8rem; margin: 0; }
dt { color: var(--faint); }
dd { margin: 0; }
ul { margin: 0.3rem 0; padding-left: 1.2rem; }
.checks { list-style: none; padding-left: 0; }
.checks li::before { content: ""; display: inline-block; width: 0.8em; height: 0.8em; margin-right: 0.6em;
  border: 1px solid var(--ink); vertical-align: -0.05em; }
.warnings { border-left: 0.35rem solid var(--strong); }
svg { display: block; width: 100%; height: auto; }
svg * { stroke-linejoin: round; stroke-linecap: butt; }
svg text { font-family: inherit !important; }
.narrow { display: none; }
@media (max-width: 34rem) { .wide { display: none; } .narrow { display: block; }
  dl { grid-template-columns: 1fr; gap: 0; } dd { margin-bottom: 0.4rem; } }
details { margin-top: 0.5rem; }
summary { cursor: pointer; }
summary:focus-visible, .scroll:focus-visible { outline: 2px solid var(--one); outline-offset: 2px; }
.scroll { overflow-x: auto; max-height: 24rem; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: 0.85rem; overflow-wrap: normal; }
th, td { text-align: right; padding: 0.1rem 0.5rem; border-bottom: 1px solid var(--rule); }
th { font-weight: 600; vertical-align: bottom; }
th:first-child, td:first-child { padding-left: 0; }
.words th, .words td { text-align: left; }
.beside { display: grid; grid-template-columns: repeat(3, 1fr); gap: 0.5rem; margin: 0.6rem 0; }
.beside div { font-size: 0.85rem; text-align: center; }
.beside img { display: block; width: 100%; height: auto; }
.beside .doubted img { outline: 3px solid var(--strong); }
footer { font-size: 0.8rem; margin: 1.2rem 0; }
@media print {
  @page { size: A4; margin: 11mm 12mm; }
  :root { --ink: #000; --faint: #444; --paper: #fff; --card: #fff; --rule: #bbb; --subject: #e6e2d6; --one: #2a6fb0;
    --other: #e39b35; --strong: #a8276b; }
  body { max-width: none; padding: 0; font-size: 8.6pt; line-height: 1.3; }
  section, figure { break-inside: avoid; border: 0; padding: 0; margin: 2.2mm 0; }
  .warnings { border-left: 1mm solid var(--strong); padding-left: 2mm; }
  h1 { font-size: 14pt; margin: 0; } h2 { font-size: 10pt; margin: 0 0 0.6mm; }
  ul.checks { columns: 2; }
  .narrow { display: none; } .wide { display: block; max-height: 60mm; }
  details:not([open]) { display: none; }
  .scroll { max-height: none; overflow: visible; }
  footer { font-size: 7.5pt; margin: 2mm 0 0; }
}
"""
