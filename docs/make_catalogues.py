"""Collect the field hand's sentences, bring the catalogues up to date and compile them; a test fails when one is stale.

    python docs/make_catalogues.py             # update every .po with new sentences, compile every .po to .mo
    python docs/make_catalogues.py tl          # begin a new language

Also writes ``docs/translations/words_CODE.md``, a page to send to a native speaker.
A ``.po`` file is edited by hand; sentences that left the program are dropped from it, new ones come in empty.
"""

from __future__ import annotations

import ast
import re
import struct
import sys
from pathlib import Path

from jinja2 import Environment

PACKAGE = Path(__file__).resolve().parents[1] / "pipeline"
LOCALE = PACKAGE / "locale"
PAGES = Path(__file__).resolve().parent / "translations"
FILE = Path("LC_MESSAGES") / "woundwood.po"
SOURCES = ("advice", "answers", "rounds", "clocks.py")
SPOKEN = ("n_", "say", "_")
HEADER = """\
# Words of Woundwood for the field hand. A native speaker has yet to check this file.
msgid ""
msgstr ""
"Content-Type: text/plain; charset=UTF-8\\n"
"Content-Transfer-Encoding: 8bit\\n"
"Language: {code}\\n"

"""


def sentences() -> list[str]:
    """Every sentence that the pages can say, in the order of the sources."""
    found: dict[str, None] = {}
    for name in SOURCES:
        files = sorted((PACKAGE / name).rglob("*.*")) if (PACKAGE / name).is_dir() else [PACKAGE / name]
        for file in files:
            if file.suffix == ".py":
                found |= dict.fromkeys(_in_code(file.read_text(encoding="utf-8")))
            elif file.suffix in (".html", ".txt"):
                found |= dict.fromkeys(_in_template(file.read_text(encoding="utf-8")))
    return list(found)


def _in_code(text: str) -> list[str]:
    return [
        node.args[0].value
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Call)
        and getattr(node.func, "id", "") in SPOKEN
        and node.args
        and isinstance(node.args[0], ast.Constant)
        and isinstance(node.args[0].value, str)
    ]


def _in_template(text: str) -> list[str]:
    return [message for _, _, message in Environment(extensions=["jinja2.ext.i18n"]).extract_translations(text)]


def read(text: str) -> dict[str, str]:
    """Sentences of a ``.po`` file with their translations; the header has the empty sentence."""
    found: dict[str, str] = {}
    for block in re.split(r"\n\s*\n", text):
        parts: dict[str, str] = {}
        name = ""
        for line in block.splitlines():
            match = re.fullmatch(r'(?:(msgid|msgstr) )?(".*")', line.strip())
            if match is not None:
                name = match.group(1) or name
                parts[name] = parts.get(name, "") + ast.literal_eval(match.group(2))
        if "msgid" in parts:
            found[parts["msgid"]] = parts.get("msgstr", "")
    return found


def updated(text: str, code: str) -> str:
    """A ``.po`` file with exactly the program's sentences."""
    known = read(text)
    head = text[: text.index("\n\n") + 2] if "\n\n" in text else HEADER.format(code=code)
    return head + "\n".join(f"msgid {_quoted(s)}\nmsgstr {_quoted(known.get(s, ''))}\n" for s in sentences())


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def compiled(text: str) -> bytes:
    """The ``.mo`` file of a ``.po`` file (GNU gettext manual, section "The Format of GNU MO Files")."""
    entries = sorted((key.encode(), value.encode()) for key, value in read(text).items() if value)
    count = len(entries)
    keys_at, values_at = 28, 28 + 8 * count
    data_at = 28 + 16 * count
    tables: list[list[tuple[int, int]]] = [[], []]
    data = b""
    for column in (0, 1):
        for entry in entries:
            tables[column].append((len(entry[column]), data_at + len(data)))
            data += entry[column] + b"\0"
    head = struct.pack("<7I", 0x950412DE, 0, count, keys_at, values_at, 0, data_at)
    return head + b"".join(struct.pack("<2I", *pair) for table in tables for pair in table) + data


def page_for_a_speaker(code: str, text: str) -> str:
    """A page to send to a native speaker: every sentence beside its English one, to be marked right or corrected."""
    rows = [f"| {n} | {english} | {known} | |" for n, (english, known) in enumerate(
        ((e, k) for e, k in read(text).items() if e), 1)]  # fmt: skip
    return "\n".join([
        f"# Sentences to check: {code}", "",
        "**No native speaker has checked these yet.** They were written by machine help and re-read once by the same.",
        "A farm hand reads them on a phone: short, plain words of the trade are wanted. Please correct the last column",
        "where a sentence is wrong, stiff or could be misread; what stands in {curly} brackets must stay as it is.", "",
        "| no. | English | " + code + " | better |", "|---|---|---|---|", *rows, "",
    ])  # fmt: skip


def main(new: list[str]) -> None:
    """Bring all catalogues up to date."""
    for code in new:
        path = LOCALE / code / FILE
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            path.write_text(HEADER.format(code=code), encoding="utf-8")
    for path in sorted(LOCALE.glob(f"*/{FILE}")):
        text = updated(path.read_text(encoding="utf-8"), path.parent.parent.name)
        path.write_text(text, encoding="utf-8")
        path.with_suffix(".mo").write_bytes(compiled(text))
        code = path.parent.parent.name
        (PAGES / f"words_{code}.md").write_text(page_for_a_speaker(code, text), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
