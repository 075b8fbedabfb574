"""The field hand's words: every sentence in every catalogue, with the same gaps, compiled as gettext expects."""

from __future__ import annotations

import gettext
import importlib.util
import io
import shutil
import string
import subprocess
from pathlib import Path

import pytest

from pipeline import language
from pipeline.errors import SettingsError

TOP = Path(__file__).resolve().parents[2]
CODES = [code for code in language.languages() if code != "en"]


def catalogues():
    spec = importlib.util.spec_from_file_location("make_catalogues", TOP / "docs" / "make_catalogues.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MAKE = catalogues()
SENTENCES = MAKE.sentences()


def po(code: str) -> Path:
    return language.FOLDER / code / "LC_MESSAGES" / "woundwood.po"


def gaps(sentence: str) -> list[str]:
    return sorted(name for _, name, _, _ in string.Formatter().parse(sentence) if name is not None)


def test_the_languages_of_the_issue_are_there() -> None:
    assert set(CODES) >= {"th", "vi", "id"}


def test_sentences_are_found_in_code_and_templates() -> None:
    assert {"Come closer.", "Still missing today", "drill hole", "Take again", "north"} <= set(SENTENCES)
    # None of them is long; a caution may be three short ones.
    assert all(len(part.split()) <= 22 for s in SENTENCES for part in s.replace(":", ".").split(". "))


@pytest.mark.parametrize("code", CODES)
def test_every_sentence_is_translated_with_the_same_gaps(code: str) -> None:
    known = MAKE.read(po(code).read_text(encoding="utf-8"))
    assert set(known) - {""} == set(SENTENCES), "run python docs/make_catalogues.py and translate what is empty"
    for sentence in SENTENCES:
        assert known[sentence].strip(), sentence
        assert gaps(known[sentence]) == gaps(sentence), sentence
    assert "native speaker" in po(code).read_text(encoding="utf-8")


@pytest.mark.parametrize("code", CODES)
def test_what_is_compiled_is_fresh_and_gettext_reads_it(code: str) -> None:
    text = po(code).read_text(encoding="utf-8")
    content = po(code).with_suffix(".mo").read_bytes()
    assert content == MAKE.compiled(text), "run python docs/make_catalogues.py"
    read = gettext.GNUTranslations(io.BytesIO(content))
    assert {s: read.gettext(s) for s in SENTENCES} == {s: MAKE.read(text)[s] for s in SENTENCES}


@pytest.mark.parametrize("code", CODES)
def test_gnu_gettext_compiles_the_same_words(code: str, tmp_path: Path) -> None:
    if shutil.which("msgfmt") is None:
        pytest.skip("GNU gettext is not installed")
    subprocess.run(["msgfmt", "--check", "-o", tmp_path / "out.mo", po(code)], check=True)
    with (tmp_path / "out.mo").open("rb") as theirs:
        read = gettext.GNUTranslations(theirs)
    assert [read.gettext(s) for s in SENTENCES] == [language.speaker(code)(s) for s in SENTENCES]


def test_a_new_catalogue_begins_with_every_sentence_and_falls_back_to_english() -> None:
    text = MAKE.updated(MAKE.HEADER.format(code="tl"), "tl")
    assert set(MAKE.read(text)) - {""} == set(SENTENCES)
    read = gettext.GNUTranslations(io.BytesIO(MAKE.compiled(text)))
    assert read.gettext("Come closer.") == "Come closer."
    assert MAKE.updated(text, "tl") == text


def test_a_language_by_its_code_its_country_or_its_neighbour() -> None:
    assert language.speaker("en")("Take again") == "Take again"
    assert language.speaker("id_ID")("Take again") == "Foto lagi"
    assert language.speaker("ms")("Take again") == "Foto lagi"
    with pytest.raises(SettingsError, match="no language 'xx'") as error:
        language.speaker("xx")
    assert "th" in error.value.remedy


@pytest.mark.parametrize("code", CODES)
def test_the_page_for_a_native_speaker_is_fresh_and_says_that_nobody_checked(code: str) -> None:
    page = (TOP / "docs" / "translations" / f"words_{code}.md").read_text(encoding="utf-8")
    assert page == MAKE.page_for_a_speaker(code, po(code).read_text(encoding="utf-8")), "run docs/make_catalogues.py"
    assert "No native speaker has checked these yet" in page
    assert all(sentence in page for sentence in SENTENCES)
