"""How a page looks: white, one text colour, one accent; readable on a phone and on paper.

Fonts are the reader's own (nothing is fetched). Colours pass WCAG 2.2 AA contrast on white.
"""

INK = "#1f2328"
ACCENT = "#7a3e5d"
QUIET = "#5b626b"
LINE = "#d9dde2"
WASH = "#f6f3f5"

STYLE = f"""
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
body {{ margin: 0; background: #fff; color: {INK};
  font: 17px/1.55 "Source Sans 3", "Noto Sans", "DejaVu Sans", system-ui, sans-serif; }}
main, footer {{ max-width: 46rem; margin: 0 auto; padding: 0 1.1rem; }}
main {{ padding-top: 1.6rem; }}
h1 {{ font-size: 1.75rem; line-height: 1.2; margin: 0 0 .8rem; font-weight: 650; }}
h2 {{ font-size: 1.3rem; line-height: 1.25; margin: 2.6rem 0 .6rem; padding-top: .9rem;
  border-top: 2px solid {ACCENT}; font-weight: 650; }}
h3 {{ font-size: 1.08rem; margin: 1.8rem 0 .4rem; }}
h4 {{ font-size: 1rem; margin: 1.4rem 0 .3rem; }}
p, ul {{ margin: .5rem 0; }}
li {{ margin: .25rem 0; }}
a {{ color: {ACCENT}; }}
nav ul {{ list-style: none; padding: 0; margin: 1.2rem 0 0; display: flex; flex-wrap: wrap; gap: .2rem 1.1rem; font-size: .95rem; }}
.answer {{ margin: .6rem 0 1rem; padding: 1rem 1.1rem .8rem; background: {WASH}; border-left: 6px solid {ACCENT}; }}
.answer.open {{ border-left-style: dashed; }}
.answer .sentence {{ font-size: 1.2rem; line-height: 1.45; margin: 0 0 .6rem; }}
.answer dl {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(9.5rem, 1fr)); gap: .5rem 1.2rem; margin: .4rem 0; }}
.answer dt {{ color: {QUIET}; font-size: .88rem; }}
.answer dd {{ margin: 0; font-weight: 650; font-variant-numeric: tabular-nums; }}
.answer .status {{ margin: .5rem 0 0; font-weight: 650; color: {ACCENT}; }}
.sentences.notice {{ border-left: 4px solid {ACCENT}; padding: .1rem 0 .1rem .9rem; margin: .9rem 0; }}
.sentences.minor {{ color: {QUIET}; font-size: .93rem; }}
.sentences .lead {{ font-weight: 650; margin-bottom: .2rem; }}
.cautions {{ border: 2px solid {INK}; padding: .5rem 1rem; margin: 1rem 0; }}
.scroll {{ overflow-x: auto; margin: .9rem 0; }}
table {{ border-collapse: collapse; font-size: .95rem; line-height: 1.35; min-width: 60%; font-variant-numeric: tabular-nums; }}
.caption {{ color: {QUIET}; font-size: .95rem; margin: 1rem 0 -.5rem; }}
th, td {{ text-align: left; padding: .35rem .9rem .35rem 0; vertical-align: top; border-bottom: 1px solid {LINE}; font-weight: 400; }}
thead th {{ font-weight: 650; border-bottom: 1px solid {INK}; vertical-align: bottom; }}
tbody th {{ font-weight: 650; }}
.number {{ text-align: right; }}
.long {{ min-width: 13rem; }}
thead th.number {{ text-align: right; }}
.long {{ min-width: 13rem; }}
figure {{ margin: 1.2rem 0; }}
figure img {{ width: 100%; height: auto; display: block; }}
figcaption {{ color: {QUIET}; font-size: .93rem; margin-top: .4rem; }}
details {{ margin: .9rem 0; }}
summary {{ cursor: pointer; color: {ACCENT}; }}
pre {{ overflow-x: auto; }}
pre code {{ overflow-wrap: normal; }}
code {{ font-family: "DejaVu Sans Mono", ui-monospace, monospace; font-size: .88em; overflow-wrap: anywhere; }}
footer {{ color: {QUIET}; font-size: .88rem; padding-top: 2rem; padding-bottom: 2rem; overflow-wrap: anywhere; }}
@media (max-width: 34rem) {{
  body {{ font-size: 16px; }}
  .answer .sentence {{ font-size: 1.08rem; }}
  .answer dl {{ grid-template-columns: repeat(2, 1fr); }}
  table {{ font-size: .87rem; }}
  th, td {{ padding-right: .6rem; }}
}}
@media print {{
  body {{ font-size: 11pt; }}
  nav {{ display: none; }}
  figure, .answer, tr {{ break-inside: avoid; }}
}}
"""
