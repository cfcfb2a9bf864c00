"""Texts that try to be something else: what each attacks stands beside it.

All are ids, notes or names as somebody could write them into a recording, a register or a form. ``UNKEEPABLE`` are
those that no door may let in as an id; everything else is let in as it is and has to be harmless on every way out.
"""

from dataclasses import dataclass
from typing import Final

#: What a payload sets in a page where it runs; it must stay unset.
FLAG: Final = "fleetbrake_ran"
_RUN: Final = f"window.{FLAG}=1"


@dataclass(frozen=True)
class Hostile:
    """One text and what it attacks."""

    attacks: str
    text: str


def _all_of(attacks: str, *texts: str) -> tuple[Hostile, ...]:
    return tuple(Hostile(attacks, text) for text in texts)


SQL: Final = _all_of(
    "SQL",
    "'; DROP TABLE events; --",
    "' OR '1'='1",
    "x'); DELETE FROM vehicles; --",
    'V"; DROP TABLE "trips"; --',
    "$$; ATTACH 'x.db'; $$",
    "it's /* open",
    "a\\' b",
    "read_text('/etc/passwd')",
    "100%_[a-z]?*",
)
MARKUP: Final = _all_of(
    "a page",
    f"<script>{_RUN}</script>",
    f'<img src=x onerror="{_RUN}">',
    f"<svg/onload={_RUN}>",
    f'"><iframe srcdoc="<script>parent.{FLAG}=1</script>">',
    f"</style><script>{_RUN}</script>",
    f"javascript:{_RUN}",
    "data:text/html;base64,PHNjcmlwdD4=",
    "&lt;b&gt;&amp;#60;",
    "<b>bold</b><!-- -->",
)
MARKDOWN: Final = _all_of(
    "Markdown",
    f"[go](javascript:{_RUN})",
    "![p](http://example.org/p.png)",
    "<http://example.org>",
    "www.example.org/x",
    "me@example.org",
    "# head",
    "| a | b |\n|---|---|\n| c | d |",
    "1. one\n2. two",
    "```\ncode\n```",
    "$\\frac{1}{0}$ $$x^2$$",
    ":red[alarm] :material/delete: :smile:",
    ":blue-background[x] :streamlit:",
    "~~gone~~ **bold** _it_ `c`",
    "[^1] and [ref]: http://example.org",
    "-> <- -- <= != ...",
)
CHARTS: Final = _all_of(
    "a chart's expression",
    "datum['vehicle_id']",
    "a.b.c[0]",
    "x'] || (1==1) || ['",
    "value:Q",
    "sum(events):N",
    "@@=1+1",
    "#ffffff",
)
SHEETS: Final = _all_of(
    "a spreadsheet",
    "=1+1",
    "+1+1",
    "-1+1",
    "@SUM(A1:A9)",
    "\t=2+1",
    '=HYPERLINK("http://example.org","x")',
    "=cmd|'/C calc'!A0",
    "\N{FULLWIDTH EQUALS SIGN}1+1",
    "\N{FULLWIDTH PLUS SIGN}1+1",
    "\N{FULLWIDTH HYPHEN-MINUS}1+1",
    "\N{FULLWIDTH COMMERCIAL AT}SUM(A1)",
    "'=1+1",
    '"=1+1"',
    'a,"b";c\td',
    "{=1+1}",
    "[x.xlsx]Sheet1!A1",
    "_x0041_",
    "1-2-3",
    "0x1F",
)
PATHS: Final = _all_of(
    "a path",
    "../../etc/passwd",
    "/etc/passwd",
    "~/x",
    "C:\\Windows\\x",
    "\\\\host\\share\\x",
    "..",
    ".hidden",
    "CON",
    "nul.txt",
    "name. .",
    "a/b\\c:d*e?f",
    "--store=/",
    "-rf",
    "x.parquet",
    "vehicle_id=other/driver_id=other",
    "driver_id=Z",
    "s3://bucket/key",
)
TYPESETTING: Final = _all_of(
    "the typesetter",
    '#read("/etc/passwd")',
    '#include "x.typ"',
    '#import "x.typ": *',
    "#set page(fill: red)",
    "#pagebreak()",
    "$ a/b $ @label <label>",
    "= Heading",
    "/* open comment",
    "// line",
    "\\u{41} \\ ",
    '#link("http://example.org")[x]',
)
CALENDAR: Final = _all_of(
    "a calendar",
    "x\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nSUMMARY:y",
    "x\nATTACH:http://example.org/x",
    'a;b,c:d\\n"e"',
    "x\rBEGIN:VALARM",
    "x\u2028END:VCALENDAR",
)
TERMINAL: Final = _all_of(
    "a terminal or a log",
    "\x1b[31mred\x1b[0m",
    "\x1b[2J\x1b[H",
    "\x1b]8;;http://example.org\x07x\x1b]8;;\x07",
    "\x1b]52;c;eA==\x07",
    "\x1b]0;title\x07",
    "\x9b31mc1",
    "bell\x07",
    "over\b\b\b\bwrite",
    "line\rover",
    'x", "level": "info"}\n{"job": "nightly", "outcome": "ok"}',
    "two\nlines",
    "x\x0b\x0cy\x85z",
    "del\x7f",
    "[red]r[/red] [link=http://example.org]l[/link] [/]",
    "[bold",
    ":boom: [@click=quit]q[/]",
    "%s %n %(name)s {0.__class__} {name!r:>{width}}",
)
ADDRESSES: Final = _all_of("an address", "%2e%2e%2f", "%00", "a&event=b#c", "?units=us", "a+b%20c", "%", "x;y=z")
SETTINGS: Final = _all_of("a configuration", 'a"\n[store]\nfolder = "/"', "x = 1 # y", '"""', "${HOME} $(id) `id`")
LETTERS: Final = _all_of(
    "whoever reads",
    "\u202egnp.exe",
    "\u2067abc\u2066",
    "\u200fab\u200e",
    "a\u200bb\u200cc\u200dd",
    "\u2060a\u00adb",
    "z" + "\u0300\u0301\u0302\u0303" * 20 + "o",
    "\U0001f468\u200d\U0001f469\u200d\U0001f467",
    "\N{CYRILLIC SMALL LETTER A}\N{CYRILLIC SMALL LETTER IE}",
    "\N{LATIN SMALL LETTER E WITH ACUTE}",
    "e\N{COMBINING ACUTE ACCENT}",
    "\ufeffmark",
    "\ufdd0\ufffe\uffff",
    "\U000e0041\U000e007f",
    "עגלה-שבע",
    "车辆七",
    "I\u0307i\u0131",
    "ﬁ ﷺ",
)
WORDS: Final = _all_of(
    "whoever guesses at types",
    "NULL", "nan", "None", "true", "0", "007", "1e5", "-0", "inf", "2026-01-05", "1,5", "#N/A", "\\N", "[]", "{}",
    "forgotten", "driver", "unknown",
)  # fmt: skip
TWINS: Final = _all_of("whoever compares", "twin", "Twin", "TWIN", "twin\N{NO-BREAK SPACE}2", "twin 2", "twin\u20092")
LONG: Final = _all_of(
    "the room there is",
    "W" * 190,
    "word " * 39,
    "[" * 190,
    "\U0001f69a" * 90,
    "車" * 190,
    "a\u0301" * 90,
)

HARMLESS: Final = (
    *SQL, *MARKUP, *MARKDOWN, *CHARTS, *SHEETS, *PATHS, *TYPESETTING, *CALENDAR, *TERMINAL, *ADDRESSES, *SETTINGS,
    *LETTERS, *WORDS, *TWINS, *LONG,
)  # fmt: skip

#: Longer than any id may be; as a note they may be kept.
TOO_LONG: Final = _all_of(
    "the room there is", "W" * 10_000, "word " * 2_000, "[" * 10_000, "(" * 10_000, "\U0001f69a" * 10_000, "<a>" * 3_333
)
ZERO: Final = _all_of("whoever ends a text at a zero", "a\0b", "\0", "V1\0.parquet")
UNKEEPABLE: Final = (*ZERO, *TOO_LONG)
HALVES: Final = _all_of("the encoding", "half\ud800", "\udfff")
BLANK: Final = _all_of("whoever needs a name", "", " ", "\t\n", "\N{NO-BREAK SPACE}", "\u3000")
PADDED: Final = _all_of("whoever compares", " pad 1", "pad 2 ", "pad 3\t", "\npad 4\r\n", "\u3000pad 5\xa0")
