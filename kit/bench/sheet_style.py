"""How the sheets look: A4, black on white, large enough for one glance, no colour that carries meaning.

Everything is 10 pt or larger and works in a grey print; no script, nothing fetched.
"""

INK = "#1f2328"
LINE = "#6b7280"
WASH = "#f1f1f1"

STYLE = f"""
@page {{ size: A4 PAGE_TURN; margin: 11mm 12mm 14mm;
  @bottom-left {{ content: "PAGE_NAME"; font: 10pt/1.2 "Noto Sans", "DejaVu Sans", sans-serif; color: {INK}; }}
  @bottom-right {{ content: counter(page) " / " counter(pages); font: 10pt/1.2 "Noto Sans", "DejaVu Sans", sans-serif; color: {INK}; }} }}
* {{ box-sizing: border-box; }}
html {{ color-scheme: light; }}
body {{ margin: 0 auto; max-width: PAGE_WIDTH; color: {INK}; background: #fff;
  font: 11pt/1.35 "Source Sans 3", "Noto Sans", "DejaVu Sans", system-ui, sans-serif; font-variant-numeric: tabular-nums; }}
h1 {{ font-size: 17pt; line-height: 1.2; margin: 0 0 1mm; overflow-wrap: anywhere; }}
h2 {{ font-size: 13pt; margin: 6mm 0 1mm; break-after: avoid; }}
p {{ margin: 0 0 1.5mm; overflow-wrap: anywhere; }}
header {{ border-bottom: 0.8mm solid {INK}; padding-bottom: 1.5mm; margin-bottom: 2mm; }}
.facts {{ font-size: 12pt; font-weight: 650; }}
.cautions {{ list-style: none; margin: 2mm 0 0; padding: 0; font-size: 10.5pt; }}
.cautions li {{ margin: 0 0 1mm; padding-left: 7mm; position: relative; break-inside: avoid; }}
.cautions li::before {{ content: "!"; position: absolute; left: 0; top: 0.3mm; width: 4.6mm; height: 4.6mm; border: 0.4mm solid {INK};
  border-radius: 50%; text-align: center; font-weight: 700; font-size: 10pt; line-height: 3.8mm; }}
.blanks {{ display: flex; flex-wrap: wrap; gap: 1mm 6mm; margin: 1mm 0 2mm; }}
.blanks span {{ flex: 1 1 38mm; display: flex; align-items: flex-end; white-space: nowrap; min-height: 8mm; }}
.blanks span::after {{ content: ""; flex: 1; border-bottom: 0.3mm solid {LINE}; margin-left: 2mm; min-width: 12mm; }}
.tick {{ display: inline-block; width: 4.4mm; height: 4.4mm; border: 0.4mm solid {INK}; vertical-align: -0.7mm; margin-right: 1.4mm; }}
table {{ border-collapse: collapse; width: 100%; table-layout: fixed; }}
th, td {{ text-align: left; vertical-align: middle; font-weight: 400; padding: 0.8mm 1.5mm; overflow-wrap: anywhere; }}
thead {{ display: table-header-group; }}
thead th {{ border-bottom: 0.5mm solid {INK}; font-size: 10pt; line-height: 1.2; vertical-align: bottom; font-weight: 650; }}
tbody.run {{ break-inside: avoid; border-bottom: 0.3mm solid {LINE}; }}
.set td {{ padding-top: 1mm; font-size: 12pt; }}
.set b {{ font-size: 12.5pt; }}
.set .number {{ white-space: nowrap; }}
.dense .set td, .dense .set b {{ font-size: 10.5pt; }}
.ticks {{ display: flex; justify-content: space-between; gap: 1mm; white-space: nowrap; font-size: 10pt; }}
.set .label {{ font-size: 17pt; font-weight: 700; white-space: nowrap; }}
.set .label b {{ font-size: 17pt; margin-left: 1mm; }}
.label .tick {{ width: 6mm; height: 6mm; vertical-align: -0.4mm; }}
.real td {{ font-size: 10pt; padding-bottom: 1.1mm; }}
.box {{ display: flex; align-items: center; justify-content: flex-end; height: 7.2mm; border: 0.3mm solid {LINE}; padding: 0 1.2mm; font-size: 10pt; }}
.line {{ display: flex; align-items: flex-end; gap: 2mm; white-space: nowrap; }}
.line::after {{ content: ""; flex: 1; border-bottom: 0.3mm solid {LINE}; }}
.real .line {{ min-height: 7.2mm; }}
.findings {{ margin: 2mm 0 0; padding-left: 5mm; font-size: 10.5pt; }}
.findings li {{ margin: 0 0 0.8mm; }}
.how {{ margin: 2mm 0 1mm; font-size: 10.5pt; }}
.stretch td {{ border-top: 1.4mm solid {INK}; background: {WASH}; font-size: 11pt; padding: 1.5mm; print-color-adjust: exact; }}
.measure td, .measure th {{ border-bottom: 0.25mm solid {LINE}; padding: 1mm 1.5mm; }}
.measure .who {{ font-size: 13pt; font-weight: 700; white-space: nowrap; }}
.measure tr {{ break-inside: avoid; }}
section {{ margin-top: 4mm; }}
footer {{ break-inside: avoid; margin-top: 5mm; border-top: 0.3mm solid {LINE}; padding-top: 2mm; font-size: 10pt; }}
@media screen {{ body {{ box-sizing: content-box; padding: 10mm; }} }}
"""


def page(title: str, name: str, body: str, *, landscape: bool = False) -> str:
    """Wrap a sheet's body into a self-contained page.

    Parameters
    ----------
    title, body : str
        HTML, user text already escaped.
    name : str
        Short plain name for the foot of every page, without quotes or backslashes.
    landscape : bool, default False
        Turn the paper, for many factors.

    Returns
    -------
    str
        A whole HTML document.
    """
    style = (
        STYLE.replace("PAGE_TURN", "landscape" if landscape else "portrait")
        .replace("PAGE_WIDTH", "273mm" if landscape else "186mm")
        .replace("PAGE_NAME", name)
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>{style}</style>\n</head>\n<body>\n{body}</body>\n</html>\n"
    )
