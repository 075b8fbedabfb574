"""The register's four files: what loads, and what each bad cell is told."""

from datetime import date
from pathlib import Path

import pytest

from pipeline.errors import RegisterError
from pipeline.records import EventKind, Register, WoundKind
from pipeline.register import COLUMNS, load

TREES = "tree,species\nA-012,Aquilaria crassna\nB-1,\n"
SITES = "site,tree,kind\n17,A-012,drill hole\n"


def written(folder: Path, **files: str | bytes) -> Path:
    content: dict[str, str | bytes] = {"trees": TREES, "sites": SITES} | files
    for name, text in content.items():
        (folder / f"{name}.csv").write_bytes(text.encode() if isinstance(text, str) else text)
    return folder


def loaded(folder: Path, **files: str | bytes) -> Register:
    return load(written(folder, **files))


def only_problem(register: Register) -> tuple[str, int, str, str, str]:
    assert len(register.problems) == 1, [str(problem) for problem in register.problems]
    problem = register.problems[0]
    return problem.file, problem.line, problem.column, problem.value, problem.reason


def test_all_four_files(tmp_path: Path) -> None:
    register = loaded(
        tmp_path,
        trees="tree,species,planted_on,block,row,position,x_m,y_m\nA-012,Aquilaria crassna,2011-06-01,N,3,7,12.5,-4\n",
        stems="tree,stem,girth_cm,measured_on,status,sprouted_on\nA-012,1,62.8,2026-01-10,standing,\n"
        "A-012,1,60,2025-01-10,,\nA-012,2,,,removed,2019-02-01\n",
        sites="site,tree,stem,kind,made_on,height_cm,bearing_deg,girth_cm,first_width_mm,first_height_mm,retired_on\n"
        "000017,A-012,1,Drill_Hole,2026-02-03,130,360,61.5,12,12.5,2030-01-01\n18,A-012,2,window,,,,,,,\n",
        events='date,tree,stem,site,event,amount,unit,by,note\n2026-04-01,,,17,cut,240,g,An,"wood, dark"\n'
        "2026-03-01,A-012,2,,stem removed,,,,\n",
    )
    assert register.problems == ()
    tree = register.trees["A-012"]
    assert (tree.planted_on, tree.row, tree.x_m, tree.y_m) == (date(2011, 6, 1), "3", 12.5, -4.0)
    stem = register.stems["A-012", "1"]
    assert [girth.girth_mm for girth in stem.girths] == [600.0, 628.0]  # centimetres become millimetres, oldest first
    assert register.stems["A-012", "2"].removed
    site = register.sites[17]
    assert (site.kind, site.girth_mm, site.bearing_deg) == (WoundKind.DRILL_HOLE, 615.0, 0.0)
    assert register.sites[18].stem == "2"
    assert [event.event for event in register.events] == [EventKind.STEM_REMOVED, EventKind.CUT]
    cut = register.events[1]
    assert (cut.tree, cut.stem, cut.site, cut.amount, cut.unit, cut.note) == (
        "A-012",
        "1",
        17,
        240.0,
        "g",
        "wood, dark",
    )


def test_without_stems_each_tree_has_stem_1(tmp_path: Path) -> None:
    register = loaded(tmp_path)
    assert set(register.stems) == {("A-012", "1"), ("B-1", "1")}
    assert register.events == ()


def test_girth_history_is_interpolated(tmp_path: Path) -> None:
    # Straight line between 600 mm on 1 January and 612 mm 12 days later, by hand: 607 mm on day 7.
    register = loaded(
        tmp_path,
        stems="tree,stem,girth_cm,measured_on\nA-012,1,61.2,2026-01-13\nA-012,1,60,2026-01-01\n",
    )
    assert register.girth_mm(17, date(2026, 1, 8)) == pytest.approx(607.0)


def test_the_latest_status_holds(tmp_path: Path) -> None:
    stems = "tree,stem,girth_cm,measured_on,status\nA-012,1,70,2026-01-01,removed\nA-012,1,60,2025-01-01,standing\n"
    assert loaded(tmp_path, stems=stems).stems["A-012", "1"].removed


# ------------------------------------------------------------------ what spreadsheets do


@pytest.mark.parametrize(
    "text",
    [
        SITES.replace("\n", "\r\n"),
        SITES.replace("\n", "\r"),
        "\ufeff" + SITES,
        SITES.replace(",", ";"),
        SITES.replace(",", "\t"),
        "sep=;\r\n" + SITES.replace(",", ";"),
        "\n\n" + SITES + "\n\n,,\n",
        "Site , TREE,Kind\n 17 ,A-012\u00a0,  drill  hole\n",
        '"site","tree","kind"\n"17","A-012","drill hole"\n',
        "site,tree,kind,colour,,colour\n17,A-012,drill hole,red,,blue\n",
        "kind,site,tree\ndrill hole,17,A-012",
    ],
    ids=[
        "CRLF",
        "CR",
        "byte-order mark",
        "semicolons",
        "tabs",
        "sep line",
        "blank lines",
        "blanks",
        "quotes",
        "unknown columns",
        "other order",
    ],
)
def test_forms_that_load(tmp_path: Path, text: str) -> None:
    register = loaded(tmp_path, sites=text)
    assert register.problems == ()
    assert register.sites[17].tree == "A-012" and register.sites[17].kind is WoundKind.DRILL_HOLE


def test_thai_and_vietnamese_letters(tmp_path: Path) -> None:
    # The same letter composed and decomposed (Unicode NFC and NFD) is the same tree.
    register = loaded(
        tmp_path,
        trees="tree,block\nต้น-๑,แปลงเหนือ\nhàng-2,\n",
        sites="site,tree,kind\n1,ต้น-๑,window\n2,ha\u0300ng-2,strip\n",
    )
    assert register.problems == ()
    assert register.sites[1].tree == "ต้น-๑" and register.sites[2].tree == "hàng-2"
    assert register.trees["ต้น-๑"].block == "แปลงเหนือ"


def test_decimal_commas_in_a_file_with_semicolons(tmp_path: Path) -> None:
    register = loaded(tmp_path, sites="site;tree;kind;girth_cm\n17;A-012;strip;62,5\n18;A-012;strip;62.5\n")
    assert register.problems == ()
    assert register.sites[17].girth_mm == register.sites[18].girth_mm == 625.0


@pytest.mark.parametrize("number", ["1,250", "1.250"])
def test_thousands_or_decimals_is_refused(tmp_path: Path, number: str) -> None:
    register = loaded(tmp_path, sites=f"site;tree;kind;girth_cm\n17;A-012;strip;{number}\n")
    assert only_problem(register)[4].startswith("The number can be read in two ways")


def test_decimal_commas_elsewhere_are_refused(tmp_path: Path) -> None:
    register = loaded(tmp_path, sites='site,tree,kind,girth_cm\n17,A-012,strip,"62,5"\n18,A-012,strip,60\n')
    assert only_problem(register) == ("sites.csv", 2, "girth_cm", "62,5", "Write a decimal point: 62.5")
    assert list(register.sites) == [18]


def test_a_note_may_hold_a_line_end_and_lines_still_count(tmp_path: Path) -> None:
    register = loaded(
        tmp_path,
        events='date,site,event,note\n2026-01-01,17,cut,"two\nlines"\n2026-01-02,17,burnt,\n',
    )
    assert register.events[0].note == "two\nlines"
    assert only_problem(register)[1] == 4


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (SITES.encode("utf-16"), "UTF-16"),
        (SITES.encode("utf-16-le"), "UTF-16"),
        ("site,tree,kind,note\n17,A-012,window,\n18,B-1,window,Rinde außen\n".encode("latin-1"), "line 3"),
        (b"PK\x03\x04" + bytes(50), "spreadsheet"),
        (b"", "no header row"),
        (b"\n\n", "no header row"),
        (b"site,tree\n1,A-012\n", "no column 'kind'"),
        (b"site,tree,kind,tree\n1,A-012,window,B-1\n", "two columns named 'tree'"),
    ],
)
def test_files_that_are_no_table(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(RegisterError) as caught:
        loaded(tmp_path, sites=data)
    assert "sites.csv" in caught.value.what and words in caught.value.what
    assert caught.value.remedy


def test_a_missing_file_names_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(RegisterError, match=r"no trees\.csv.*woundwood init"):
        load(tmp_path)
    written(tmp_path)
    (tmp_path / "sites.csv").rename(tmp_path / "sites.xlsx")
    with pytest.raises(RegisterError, match=r"sites\.xlsx is a spreadsheet; sites\.csv is needed"):
        load(tmp_path)


def test_a_folder_in_the_place_of_a_file(tmp_path: Path) -> None:
    written(tmp_path)
    (tmp_path / "sites.csv").unlink()
    (tmp_path / "sites.csv").mkdir()
    with pytest.raises(RegisterError, match="cannot be read"):
        load(tmp_path)


# ------------------------------------------------------------------ bad rows


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        ("17,B-1,window", "site", "The site is already in line 2; each card has its own number."),
        ("5,A-012,hole", "kind", "It must be one of: drill hole, nail hole, window, strip, trunk cut, bark panel."),
        ("5,A-012,", "kind", "The cell is empty; it is needed."),
        ("5,A-012,strip,-3", "girth_cm", "The number must be above 0 and at most 2000."),
        ("5,A-012,strip,0", "girth_cm", "The number must be above 0 and at most 2000."),
        ("5,A-012,strip,60 cm", "girth_cm", "It is not a number; write digits and a decimal point, without the unit."),
        ("5,A-012,strip,nan", "girth_cm", "It is not a number; write digits and a decimal point, without the unit."),
        ("5,A-012,strip,1e3", "girth_cm", "It is not a number; write digits and a decimal point, without the unit."),
        ("5,C-9,strip", "tree", "The tree is not in trees.csv."),
        ("5,a012,strip", "tree", "The tree is not in trees.csv; there is 'A-012'."),
        ("5,,strip", "tree", "The cell is empty; it is needed."),
        (",A-012,strip", "site", "The cell is empty; it is needed."),
        ("344569,A-012,strip", "site", "The number must be from 0 to 344568."),
        ("-1,A-012,strip", "site", "The number must be from 0 to 344568."),
        ("5.0,A-012,strip", "site", "It is not a whole number; write digits only."),
        ("5,A-012,strip,,03/04/2026", "made_on", "It can mean 3 April or 4 March; write 2026-04-03 or 2026-03-04."),
        ("5,A-012,strip,,25/04/2026", "made_on", "Write the day as 2026-04-25."),
        ("5,A-012,strip,,04.04.2026", "made_on", "Write the day as 2026-04-04."),
        ("5,A-012,strip,,2026/4/3", "made_on", "Write the day as 2026-04-03."),
        ("5,A-012,strip,,2026-04-03 00:00:00", "made_on", "Write the day as 2026-04-03."),
        ("5,A-012,strip,,2026-02-30", "made_on", "There is no such day; write year, month and day like 2026-04-03."),
        ("5,A-012,strip,,2569-04-03", "made_on", "The year is of the Buddhist calendar; write 2026-04-03."),
        (
            "5,A-012,strip,,46115",
            "made_on",
            "It is a spreadsheet's own number for a day; format the column as text and write 2026-04-03.",
        ),
        ("5,A-012,strip,,spring", "made_on", "It is not a date; write year, month and day like 2026-04-03."),
        ("5,A-012,strip,,,361", "bearing_deg", "The number must be at least 0 and at most 360."),
        ("5,A-012,strip,,,,9", "stem", "Tree 'A-012' has no stem '9' in stems.csv; it has '1'."),
        ("5,A-012,strip,,2026-01-01,,,2025-01-01", "retired_on", "The day is before the wound was made."),
        (
            "5,A-012,strip,,,,,,and more",
            "retired_on",
            "The row has more cells than the header; put quotes round a text that holds ','.",
        ),
    ],
)
def test_one_bad_row_and_the_others_load(tmp_path: Path, row: str, column: str, reason: str) -> None:
    sites = f"site,tree,kind,girth_cm,made_on,bearing_deg,stem,retired_on\n17,A-012,drill hole\n{row}\n99,B-1,window\n"
    register = loaded(tmp_path, sites=sites)
    file, line, problem_column, value, problem_reason = only_problem(register)
    assert (file, line, problem_column, problem_reason) == ("sites.csv", 3, column, reason)
    assert value in row
    assert list(register.sites) == [17, 99]


def test_a_problem_is_one_line_for_people(tmp_path: Path) -> None:
    register = loaded(tmp_path, sites=SITES + "5,A-012,hole\n")
    assert str(register.problems[0]).startswith("sites.csv, line 3, column 'kind', value 'hole': It must be one of")


def test_every_bad_cell_of_a_row_is_told(tmp_path: Path) -> None:
    register = loaded(tmp_path, sites="site,tree,kind,girth_cm\n5,C-9,hole,-1\n")
    assert [problem.column for problem in register.problems] == ["tree", "kind", "girth_cm"]


def test_an_open_quotation_mark_costs_one_row(tmp_path: Path) -> None:
    trees = 'tree,species\nA-012,"Aquilaria\nB-1,\nC-3,"Aquilaria" crassna\nD-4,\n'
    register = loaded(tmp_path, trees=trees)
    assert [(problem.line, "quotation mark" in problem.reason) for problem in register.problems[:2]] == [
        (2, True),
        (4, True),
    ]
    assert list(register.trees) == ["B-1", "D-4"]


def test_trees_twice_and_their_sites(tmp_path: Path) -> None:
    register = loaded(tmp_path, trees=TREES + "A-012,other\n")
    assert only_problem(register)[2:] == ("tree", "A-012", "The tree is already in line 2.")
    assert register.trees["A-012"].species == "Aquilaria crassna"


def test_what_hangs_on_a_refused_row_says_so(tmp_path: Path) -> None:
    register = loaded(
        tmp_path,
        trees="tree,planted_on\nA-012,1/2/11\n",
        events="date,site,event\n2026-01-01,17,cut\n",
    )
    reasons = [problem.reason for problem in register.problems]
    assert reasons[1] == "The tree is not known, because its row in trees.csv, line 2, was refused."
    assert reasons[2] == "The site is not known, because its row in sites.csv, line 2, was refused."


def test_a_bad_girth_does_not_make_the_stem_unknown(tmp_path: Path) -> None:
    register = loaded(tmp_path, stems="tree,stem,girth_cm\nA-012,1,-60\n")
    assert only_problem(register)[2] == "girth_cm"
    assert register.stems["A-012", "1"].girths == ()
    assert 17 in register.sites


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        ("A-012,1,61,2026-01-01,", "measured_on", "The stem has a girth of this day already."),
        ("A-012,1,,,felled", "status", "It must be 'standing' or 'removed'."),
        ("A-012,,60,,", "stem", "The cell is empty; it is needed."),
        ("Z,1,60,,", "tree", "The tree is not in trees.csv."),
    ],
)
def test_bad_stem_rows(tmp_path: Path, row: str, column: str, reason: str) -> None:
    stems = f"tree,stem,girth_cm,measured_on,status\nA-012,1,60,2026-01-01,\n{row}\n"
    register = loaded(tmp_path, stems=stems)
    assert (only_problem(register)[2], only_problem(register)[4]) == (column, reason)
    assert len(register.stems["A-012", "1"].girths) == 1


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        (",A-012,,,cut", "date", "The cell is empty; it is needed."),
        ("2026-01-01,,,,cut", "tree", "Say what it was done to: a tree, a stem of a tree, or a site."),
        ("2026-01-01,,1,,cut", "tree", "The stem's tree is needed."),
        ("2026-01-01,A-012,3,,cut", "stem", "Tree 'A-012' has no stem '3' in stems.csv; it has '1'."),
        ("2026-01-01,,,5,cut", "site", "The site is not in sites.csv."),
        ("2026-01-01,B-1,,17,cut", "tree", "Site 17 is on tree 'A-012'."),
        ("2026-01-01,A-012,2,17,cut", "stem", "Site 17 is on stem '1'."),
        ("2026-01-01,A-012,,,cut,-5", "amount", "The number must be at least 0 and at most 1e+09."),
        ("2026-01-01,A-012,,x,cut", "site", "It is not a whole number; write digits only."),
    ],
)
def test_bad_event_rows(tmp_path: Path, row: str, column: str, reason: str) -> None:
    register = loaded(tmp_path, events=f"date,tree,stem,site,event,amount\n2025-01-01,A-012,,,treated\n{row}\n")
    assert (only_problem(register)[2], only_problem(register)[4]) == (column, reason)
    assert len(register.events) == 1


def test_days_ahead_are_refused_only_when_today_is_given(tmp_path: Path) -> None:
    folder = written(tmp_path, sites="site,tree,kind,made_on,retired_on\n17,A-012,strip,2062-01-01,2063-01-01\n")
    assert load(folder).problems == ()
    problem = load(folder, today=date(2026, 6, 1)).problems[0]
    assert (problem.column, problem.reason) == ("made_on", "The day is in the future.")


def test_columns_are_those_of_the_documentation() -> None:
    page = (Path(__file__).parents[2] / "docs" / "register.md").read_text(encoding="utf-8")
    for file, columns in COLUMNS.items():
        part = page.split(f"## `{file}`")[1].split("\n## ")[0]
        for column in columns:
            assert f"`{column}`" in part, (file, column)
