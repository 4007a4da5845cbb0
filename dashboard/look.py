"""How a page looks: words first, paper and ink, nothing boxed."""

import re
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime, tzinfo
from html import escape
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import streamlit as st

from daemon.presentation import DARK, LIGHT, Look, code_of

NARROW_PX = 640
PICTURES_NARROW_PX = 900
"""Up to this width pictures stand in their narrow form."""
BEGINS, ENDS = "\ue000", "\ue001"
"""Around a moment in a text; private characters, so that nothing else is one."""
_MOMENT = re.compile(f"{BEGINS}([0-9T:.+-]+){ENDS}")
TO_THE_MINUTE, TO_THE_SECOND = "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"
MARKUP = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~$:^=])")
_ANY_MARKUP = re.compile(
    r"[\\`*_{}\[\]<>#!|~$^=]|:(?=\S)|--|^\s*(?:[-+]|\d+[.)])\s|www\.", re.IGNORECASE
)
LINK = re.compile(r":(?=//)|www(?=\.)", re.IGNORECASE)
WORD_JOINER = "\N{WORD JOINER}"
_WHOLE = re.compile(
    r"(?:&[lg]t; )?[+\u2212\xb1]?\d[\d.,\xa0]* "
    r"(?:%|ppm|[kMm\xb5unp]?[\u03a9AV]|\xb0C)(?!\w)"
    r"|\b\d{4}-\d\d-\d\d(?![\w-])"
    r"|\b[A-Za-z]{1,6}-\d\w{0,9}(?:-\w{1,9}){0,2}(?![\w-])"
)
"""What no line may break: a number with its unit, a day, a short name with a hyphen."""

_COMMAND = re.compile(r"`(holdpoint [^`<>]+)`")
"""A command in a sentence, which a terminal takes as it stands."""

STYLE = """
<style>
:root {{ --ink: {ink}; --quiet: {quiet}; --moved: {moved}; --paper: {paper};
  --shade: {shade}; --focus: {focus}; --off: {off}; --on-off: {on_off};
  --on-unit: {on_unit}; }}
.stAppHeader {{ display: none; }}
.stMainBlockContainer {{ padding: 0 2.6rem 3rem; max-width: 1360px; }}
[data-stale="true"] {{ opacity: 1 !important; }}
.stMainBlockContainer .words h1 {{ font-size: 1.8rem; line-height: 1.2;
  font-weight: 700; margin: 0; padding: .4rem 0 .45rem; letter-spacing: -.01em; }}
.stMainBlockContainer .words h1.large {{ font-size: 3rem; overflow-wrap: anywhere; }}
.stMainBlockContainer .words h2 {{ font-size: 1.1rem; font-weight: 700; margin: 0;
  padding: .5rem 0 .15rem; line-height: 1.4; }}
.words p {{ font-size: 1.02rem; line-height: 1.5; margin: 0; max-width: 124ch;
  text-wrap: pretty; }}
.words code {{ font-size: .92em; color: inherit; background: var(--shade);
  padding: 0 .25em; white-space: nowrap; }}
.words p.quiet {{ color: var(--quiet); font-size: .92rem; }}
.words p.moved {{ color: var(--moved); font-weight: 600; }}
.words .figures {{ display: flex; flex-wrap: wrap; gap: .4rem 2.4rem; }}
.words .figures div {{ min-width: 7.5rem; }}
.words .figures b {{ display: block; font-size: 1.35rem; line-height: 1.3;
  font-variant-numeric: tabular-nums; }}
.words .figures i {{ font-style: normal; color: var(--quiet); font-size: .92rem; }}
div:has(> .st-key-bar) {{ position: sticky; top: 0; z-index: 90;
  background: var(--paper); }}
.st-key-bar {{ padding: .7rem 0 .5rem; min-height: 3.4rem;
  border-bottom: 1px solid var(--shade); }}
.stPageLink a {{ padding: .2rem 0; margin-right: .9rem; background: none; }}
.st-key-bar .stPageLink a p {{ color: var(--quiet); font-size: 1rem; }}
.st-key-bar .stPageLink a:hover p {{ color: var(--ink); }}
.st-key-bar .st-key-here a p {{ color: var(--ink); font-weight: 700; }}
.st-key-bar .st-key-this a p {{ color: var(--ink); }}
.st-key-bar > :has(> .st-key-beside) {{ width: auto; flex: 0 0 auto;
  padding-left: 1.2rem; border-left: 1px solid var(--shade); }}
.st-key-beside .stPageLink a {{ margin-right: .5rem; }}
.st-key-beside .st-key-this a p {{ text-decoration: underline;
  text-underline-offset: .35em; text-decoration-thickness: 2px; }}
.stExpander details {{ border: none; background: none; }}
.stExpander summary {{ padding-left: 0; }}
.stExpander [data-testid="stExpanderDetails"] {{ padding-left: 0; padding-right: 0; }}
[data-testid="stFullScreenFrame"]:has(.stVegaLiteChart) .stElementToolbar {{
  display: none; }}
.st-key-live {{ justify-content: flex-end; flex-wrap: nowrap; }}
.st-key-bar > :has(.st-key-live) {{ min-width: min(19rem, 100%); }}
.st-key-live > :first-child {{ flex: 1 1 0; min-width: 0; width: auto; }}
.st-key-live > :nth-child(2) {{ flex: 0 0 auto; }}
.st-key-live .words p {{ text-align: right; max-width: none; }}
.stPageLink a p {{ text-decoration: underline; text-underline-offset: .2em; }}
.st-key-bar .stPageLink a p {{ text-decoration: none; }}
[class*="st-key-narrow"] {{ display: none; }}
.words .answers {{ display: grid; gap: .5rem 2rem; padding: .5rem 0 .3rem;
  grid-template-columns: repeat(auto-fit, minmax(15rem, 1fr)); }}
.words .answers dt {{ color: var(--quiet); font-size: .92rem; }}
.words .answers dd {{ margin: 0; font-size: 1.08rem; line-height: 1.4;
  font-weight: 600; }}
.words .answers dd.moved {{ color: var(--moved); }}
.st-key-ways > :first-child, .st-key-ways > :first-child > * {{ width: auto;
  flex: 0 0 auto; }}
.words :is(time, .whole) {{ white-space: nowrap; }}
.words .outline p {{ font-size: .95rem; }}
.words .outline .in-1 {{ padding-left: 1.4rem; }}
.words .outline .in-2 {{ padding-left: 2.8rem; }}
[class*="st-key-files"] button, [class*="st-key-files"] button p {{
  font-size: .86rem; color: var(--quiet); }}
[class*="st-key-files"] button {{ border: none; background: none; padding: 0;
  min-height: 1.6rem; text-decoration: underline; text-underline-offset: .2em; }}
.stApp button[data-testid="stBaseButton-primary"],
.stApp button[data-testid="stBaseButton-primary"] p {{ color: var(--on-unit); }}
.stApp .st-key-off button, .stApp .st-key-off button:is(:hover, :focus, :active) {{
  background: var(--off); border: 2px solid var(--off); }}
.stApp .st-key-off button p {{ color: var(--on-off); font-weight: 700; }}
.stApp :is(a, button, input, textarea, summary, [role="switch"],
[role="spinbutton"]):focus-visible {{
  outline: 3px solid var(--focus); outline-offset: 2px; }}
.stApp .stMain:focus-visible {{ outline: 2px solid var(--focus);
  outline-offset: -2px; }}
.stApp [data-testid="stButtonGroup"] button[data-selected="true"] p {{
  color: var(--ink); font-weight: 700; }}
.stApp ::placeholder {{ color: var(--quiet); opacity: 1; }}
.st-key-undo button {{ min-height: 3rem; }}
.st-key-undo button p {{ font-size: 1.15rem; }}
.words table {{ border-collapse: collapse; font-size: .95rem;
  font-variant-numeric: tabular-nums; }}
.words :is(th, td) {{ text-align: left; padding: .25rem 1.2rem .25rem 0;
  border: none; border-bottom: 1px solid var(--shade); vertical-align: top; }}
.words th {{ color: var(--quiet); font-weight: 600; }}
.words time {{ border-bottom: 1px dotted var(--quiet); }}
.st-key-unseen {{ position: absolute; left: -9999px; }}
@media (max-width: {narrow}px) {{
  .words .figures div {{ flex: 1 0 40%; }}
  .stMainBlockContainer {{ padding: 0 1rem 2rem; }}
  .stMainBlockContainer .words h1 {{ font-size: 1.35rem; }}
  .stMainBlockContainer .words h1.large {{ font-size: 1.9rem; }}
  .words p {{ font-size: 1rem; }}
  .words table {{ font-size: .88rem; }}
  .words :is(th, td) {{ padding-right: .6rem; }}
  .words .figures {{ gap: .4rem 1.2rem; }}
  .words .figures div {{ min-width: 6rem; }}
  .words .figures b {{ font-size: 1.1rem; }}
  .st-key-live .words p {{ text-align: left; }}
  .words :is(table, tbody, tr) {{ display: block; }}
  .words thead {{ display: none; }}
  .words tr {{ border-bottom: 1px solid var(--quiet); padding: .3rem 0; }}
  .words td {{ display: inline-block; border: none; padding: .1rem 1rem .1rem 0;
    overflow-wrap: anywhere; }}
  .words td:first-child {{ display: block; font-weight: 700; }}
  .words td:empty {{ display: none; }}
  .words td:not(:first-child)::before {{ content: attr(data-head) ": ";
    color: var(--quiet); }}
  .st-key-bar, .st-key-beside {{ row-gap: 0 !important; column-gap: 0 !important; }}
  .st-key-bar {{ padding: .35rem 0 .3rem; }}
  .st-key-bar .stPageLink a {{ margin-right: .62rem; }}
  .st-key-bar .stPageLink a p {{ font-size: .9rem; }}
  .st-key-bar > :has(> .st-key-beside) {{ flex: 1 0 100%; padding-left: 0;
    border-left: none; }}
  [class*="st-key-side-by-side"] .stHorizontalBlock {{ flex-wrap: nowrap; }}
  [class*="st-key-side-by-side"] .stColumn {{ min-width: 0; flex: 1 1 0; }}
  [class*="st-key-asked"] :is(th, td) {{ padding: .25rem 0; font-size: .74rem; }}
  [class*="st-key-asked"] :is(td, td *) {{
    white-space: normal !important; overflow-wrap: normal !important;
    word-break: normal !important; }}
  [class*="st-key-asked"] :is(td:first-child, td:first-child *) {{
    white-space: nowrap !important; }}
}}
@media (min-width: {wider}px) and (max-width: {pictures}px) {{
  .st-key-bar > :has(> .st-key-beside) {{ flex: 0 0 54%; }}
}}
@media (max-width: {pictures}px) {{
  .st-key-bar > :has(> .st-key-beside) {{ padding-left: 0; border-left: none; }}
  [class*="st-key-wide"] {{ display: none; }}
  [class*="st-key-narrow"] {{ display: flex; }}
}}
@media print {{
  @page {{ margin: 12mm; }}
  :root {{ color-scheme: light; }}
  html, body, .stApp, [data-testid="stAppViewContainer"], .stMain,
  [data-testid="stMain"], [data-testid="stAppScrollToBottomContainer"], #root,
  #root > div {{ position: static !important; display: block !important;
    height: auto !important; min-height: 0 !important; overflow: visible !important;
    background: none !important; }}
  .stMainBlockContainer {{ padding: 0; max-width: none; }}
  .words p {{ max-width: none; }}
  /* What is no reading: buttons, fields, ways to other pages. Of lists that fold, those
     that stand open. */
  .st-key-bar, .stButton, .stDownloadButton, .stButtonGroup, .stSelectbox,
  .stTextInput, .stTextArea, .stNumberInput, .stMultiSelect, .stRadio, .stCheckbox,
  .stPageLink, .st-key-ways, [class*="st-key-files"], .st-key-unseen,
  .stExpander:has(details:not([open])), .stElementToolbar, iframe {{
    display: none !important; }}
  [data-testid="stVerticalBlock"] {{ display: block !important; }}
  /* On the screen one of the two forms was drawn; the other takes no room. */
  [class*="st-key-wide"], [class*="st-key-narrow"] {{ display: block !important; }}
  .stVegaLiteChart, .stDataFrame, table tr, .words .figures, .words .answers > div {{
    break-inside: avoid; }}
  .stVegaLiteChart {{ max-width: 100%; overflow: visible; }}
  .stVegaLiteChart :is(svg, canvas) {{ max-width: 100% !important;
    height: auto !important; }}
  .words h2.unprinted {{ display: none; }}
  .stElementContainer:has(h2) {{ break-inside: avoid; break-after: avoid; }}
  .words h1, .words h2 {{ break-after: avoid; }}
}}
</style>
"""


def apply() -> None:
    """Put the style on the page."""
    now = current()
    st.html(
        STYLE.format(
            narrow=NARROW_PX,
            wider=NARROW_PX + 1,
            pictures=PICTURES_NARROW_PX,
            ink=now.ink,
            quiet=now.quiet,
            moved=now.said,
            paper=now.paper,
            shade=now.shade,
            focus=now.unit,
            off=now.off,
            on_off=now.on_off,
            on_unit=now.on_unit,
        )
    )


def current() -> Look:
    """Return the colours of the form that the viewer chose."""
    return DARK if st.context.theme.type == "dark" else LIGHT


def say(
    headline: str,
    lines: Sequence[str] = (),
    *,
    large: bool = False,
    over: str = "",
    named: Sequence[tuple[str, str]] = (),
) -> None:
    """Say what to do, then why.

    Parameters
    ----------
    large
        Where it is read from a step away.
    over, named
        Numbers that change, and what stands over them. They are one with the headline:
        pages change part by part, and neither may be seen with the other of before.
    """
    kind = ' class="large"' if large else ""
    numbers = f"{_paragraphs([over], kind='quiet')}{_figures(named)}" if named else ""
    _write(f"<h1{kind}>{_text(headline)}</h1>{_paragraphs(lines)}{numbers}")


def heading(text: str, lines: Sequence[str] = (), *, printed: bool = True) -> None:
    """Begin a part of a page; not `printed`, where it has but buttons."""
    kind = "" if printed else ' class="unprinted"'
    _write(f"<h2{kind}>{_text(text)}</h2>{_paragraphs(lines)}")


def lines(*texts: str) -> None:
    """Write lines of ordinary words."""
    _write(_paragraphs(texts))


def quiet(*texts: str) -> None:
    """Write what need not be read every time."""
    _write(_paragraphs(texts, kind="quiet"))


def outline(text: str) -> None:
    """Write lines of which those that stand further in belong to the one above."""
    rows = []
    for line in text.splitlines():
        depth = min((len(line) - len(line.lstrip())) // 2, 2)
        rows.append(f'<p class="in-{depth}">{_text(line.strip())}</p>')
    _write(f'<div class="outline">{"".join(rows)}</div>')


def stands_out(text: str) -> None:
    """Write what must be read, and have it read aloud."""
    mark = "\N{BLACK UP-POINTING TRIANGLE}"
    _write(f'<p class="moved" role="alert">{mark} {_text(text)}</p>')


def answers(said: Sequence[tuple[str, str]], *, moved: Sequence[str] = ()) -> None:
    """Write questions, each over its answer; those in `moved` stand out."""
    cells = "".join(
        f'<div><dt>{_text(question)}</dt><dd class="{kind}">{_text(answer)}</dd></div>'
        for question, answer in said
        for kind in ["moved" if question in moved else ""]
    )
    _write(f'<dl class="answers">{cells}</dl>')


def moment(at: datetime) -> str:
    """Return a moment for a text: read in the viewer's time, in UTC where one points.

    What writes the text makes it so; elsewhere it must not stand.
    """
    return f"{BEGINS}{at.astimezone(UTC).isoformat(timespec='seconds')}{ENDS}"


def local(at: datetime, *, form: str = TO_THE_MINUTE) -> str:
    """Return a moment as a clock beside the viewer shows it."""
    return f"{at.astimezone(_zone()):{form}}"


def _zone() -> tzinfo:
    """Return the zone of the viewer's browser; UTC where it says none."""
    with suppress(ZoneInfoNotFoundError, ValueError, TypeError):
        if named := st.context.timezone:
            return ZoneInfo(named)
    return UTC


def _read_as_moment(found: re.Match[str]) -> str:
    try:
        at = datetime.fromisoformat(found[1])
    except ValueError:
        return escape(found[1])
    utc = f"{at.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
    return f'<time datetime="{found[1]}" title="{utc}">{local(at)}</time>'


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Write a table of words; on a phone each row is a card of its own."""
    full = [
        place for place in range(len(heads)) if any(row[place] != "" for row in rows)
    ]
    head = "".join(f'<th scope="col">{_text(heads[one])}</th>' for one in full)
    body = "".join(
        "<tr>"
        + "".join(
            f'<td data-head="{escape(heads[one])}">{_text(row[one])}</td>'
            for one in full
        )
        + "</tr>"
        for row in rows
    )
    _write(f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>")


def plain(text: str) -> str:
    r"""Return text as labels of the library take it, which they read as markup.

    What has none stays as it is: a field's name is read aloud with its backslashes.

    >>> print(plain("![](a.png) of **B-1**"))
    \!\[\]\(a\.png\) of \*\*B\-1\*\*
    >>> print(plain("1 mA: in"))
    1 mA: in
    """
    if not _ANY_MARKUP.search(text):
        return text
    # A joiner that nobody sees keeps an address from becoming a link.
    broken = LINK.sub(lambda one: f"{one[0]}{WORD_JOINER}", text)
    return MARKUP.sub(r"\\\1", broken)


def code(text: str, alt: str, *, width_px: int) -> None:
    """Show a code that a scanner reads off the screen."""
    source = code_of(text).svg_data_uri(border=2, light="#ffffff")
    _write(f'<img src="{source}" alt="{escape(alt)}" width="{width_px}">')


def figures(named: Sequence[tuple[str, str]]) -> None:
    """Write numbers that change, large, each over its name."""
    _write(_figures(named))


def _figures(named: Sequence[tuple[str, str]]) -> str:
    cells = "".join(
        f"<div><b>{escape(value)}</b><i>{escape(name)}</i></div>"
        for name, value in named
    )
    return f'<div class="figures">{cells}</div>'


def _paragraphs(texts: Sequence[str], *, kind: str = "") -> str:
    return "".join(f'<p class="{kind}">{_text(text)}</p>' for text in texts)


def _text(text: str) -> str:
    """Return text that is no markup; what belongs together stays in one line."""
    # Commands first: what is kept whole inside one would hide it.
    kept = _COMMAND.sub(r"<code>\1</code>", escape(text))
    return _WHOLE.sub(r'<span class="whole">\g<0></span>', kept)


def _write(html: str) -> None:
    # What people type stands in these words, so they are never read as markup.
    st.html(f'<div class="words">{_MOMENT.sub(_read_as_moment, html)}</div>')
