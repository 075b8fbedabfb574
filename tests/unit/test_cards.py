"""Printed cards, measured in the rendered pages: sizes, codes, greys, and the check for scaling printers.

Pages are turned into pixels by PDFium (through pypdfium2), which shares nothing with the program that wrote them.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from pipeline import card, cards, cardspec, grove
from pipeline.cards.sheets import BAR_Y_MM
from pipeline.cli.cards import command
from pipeline.errors import WoundwoodError
from pipeline.settings import CardSettings

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 renders the pages")

DPI = 300
PX_PER_MM = DPI / 25.4


def rendered(path: Path, dpi: float = DPI) -> list[np.ndarray]:
    document = pdfium.PdfDocument(path)
    pictures = [page.render(scale=dpi / 72, grayscale=True).to_numpy() for page in document]
    return [np.ascontiguousarray(picture.reshape(picture.shape[:2])) for picture in pictures]


def markers_on(page: np.ndarray) -> dict[tuple[int, int], tuple[int, np.ndarray]]:
    """Every marker of a page: code and corners by its place, found with OpenCV's own detector and corner fit."""
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    options.cornerRefinementWinSize = 9
    options.minMarkerPerimeterRate = 0.02
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, options).detectMarkers(page)
    found = {}
    for code, four in zip(ids.ravel(), corners, strict=True):
        points = four.reshape(4, 2).astype(float)
        found[tuple(np.round(points.mean(axis=0) / PX_PER_MM).astype(int))] = (int(code), points)
    return found


@pytest.mark.parametrize("paper", list(cards.Paper))
def test_first_last_and_100_random_sites_are_printed_right(tmp_path: Path, paper: cards.Paper) -> None:
    # The outside check: edge lengths within 0.1 mm, codes as the site card's page says.
    rng = np.random.default_rng(20260601)
    sites = [0, 344_568, *(int(n) for n in rng.choice(cardspec.SITE_LIMIT, 100, replace=False))]
    cards.write_pdf(tmp_path / "cards.pdf", [cards.CardText(site, "North · A-1") for site in sites], paper)
    pages = rendered(tmp_path / "cards.pdf")
    centres = cards.card_centres_mm(paper)
    assert len(pages) == -(-len(sites) // len(centres))
    for number, site in enumerate(sites):
        page = pages[number // len(centres)]
        if number % len(centres) == 0:
            seen = list(markers_on(page).values())
        x, y = centres[number % len(centres)]
        for code, centre_mm in zip(divmod(site, 587), ((0, 22), (0, -30)), strict=True):
            middle = np.array([x + centre_mm[0], paper.height_mm - y - centre_mm[1]]) * PX_PER_MM - 0.5
            found = min(seen, key=lambda marker: float(np.hypot(*(marker[1].mean(axis=0) - middle))))
            assert found[0] == code, site
            edges_mm = np.hypot(*(found[1] - np.roll(found[1], 1, axis=0)).T) / PX_PER_MM
            assert np.abs(edges_mm - 30.0).max() < 0.1, (site, edges_mm)
            assert np.hypot(*(found[1].mean(axis=0) - middle)) / PX_PER_MM < 0.1
            # The first corner is the top left of the upright card.
            assert found[1][0].sum() == found[1].sum(axis=1).min()
        # and as the program itself finds the card, cut out with a finger's breadth around it
        piece = crop(page, (x, y), -26, -54, 26, 54)
        fix = card.find_card(np.repeat(piece[..., None], 3, axis=2), CardSettings())
        assert cardspec.site_of_codes(fix.upper_code, fix.lower_code) == site
        across, along = fix.corners_px[1] - fix.corners_px[0], fix.corners_px[4] - fix.corners_px[0]
        assert abs(np.hypot(*across) / PX_PER_MM - 30.0) < 0.1
        assert abs(np.hypot(*along) / PX_PER_MM - 52.0) < 0.1


def crop(
    page: np.ndarray, centre: tuple[float, float], left: float, bottom: float, right: float, top: float
) -> np.ndarray:
    """Pixels of a rectangle in the card frame, mm."""
    x, y = centre
    height = page.shape[0]
    rows = slice(round(height - (y + top) * PX_PER_MM), round(height - (y + bottom) * PX_PER_MM))
    return page[rows, round((x + left) * PX_PER_MM) : round((x + right) * PX_PER_MM)]


@pytest.fixture(scope="module")
def one_page(tmp_path_factory: pytest.TempPathFactory) -> np.ndarray:
    path = tmp_path_factory.mktemp("cards") / "cards.pdf"
    cards.write_pdf(path, [cards.CardText(123_456, "Vườn Bắc · A-012 · stem 1")])
    return rendered(path)[0]


def test_patches_number_hole_and_label_lie_where_the_page_says(one_page: np.ndarray) -> None:
    # All figures from the site card's geometry table.
    centre = cards.card_centres_mm(cards.Paper.A4)[0]
    for x, grey in ((-11.5, 119), (0.0, 186), (11.5, 60)):
        inside = crop(one_page, centre, x - 4.3, -8.3, x + 4.3, 0.3)
        assert np.abs(inside.astype(int) - grey).max() <= 1
        around = crop(one_page, centre, x - 5.0, -9.0, x + 5.0, 1.0).copy()
        around[7:-7, 7:-7] = 255
        assert around[[0, -1]].min() == 255
        dark = crop(one_page, centre, x - 5.5, -9.5, x + 5.5, 1.5) < 220
        assert abs(dark.any(axis=0).sum() / PX_PER_MM - 9) < 0.15 and abs(dark.any(axis=1).sum() / PX_PER_MM - 9) < 0.15
    number = crop(one_page, centre, -16, 37.2, 21, 42.7) < 128
    rows, columns = np.flatnonzero(number.any(axis=1)), np.flatnonzero(number.any(axis=0))
    assert abs(columns[0] / PX_PER_MM - 16 + 14) < 0.15  # left edge x = -14
    assert abs((number.shape[0] - 1 - rows[-1]) / PX_PER_MM - 1.0) < 0.2  # baseline y = 38.2
    assert abs(len(rows) / PX_PER_MM - 4.0) < 0.3  # about 4 mm high
    hole = crop(one_page, centre, -4, 43.0, 4, 49) < 128
    assert abs(hole.any(axis=0).sum() / PX_PER_MM - 4.0) < 0.15
    label = crop(one_page, centre, 16.2, -50, 22, 50) < 128
    columns = np.flatnonzero(label.any(axis=0))
    assert 16.2 + columns[0] / PX_PER_MM > 15 + 3.75  # outside the ring of one white cell that the markers need
    assert columns[-1] - columns[0] > PX_PER_MM


def test_cut_marks_stand_at_the_corners_of_each_card(tmp_path: Path) -> None:
    # The site card's page: the card reaches from x -22 to 22 and from y -50 to 50.
    cards.write_pdf(tmp_path / "cards.pdf", [cards.CardText(n) for n in range(8)])
    (page,) = rendered(tmp_path / "cards.pdf")
    height = page.shape[0]

    def middle_mm(ink: np.ndarray, first_px: int) -> float:
        """Where a line's ink lies along an axis of the page."""
        weight = 255.0 - ink
        return (first_px + (weight * (np.arange(len(ink)) + 0.5)).sum() / weight.sum()) / PX_PER_MM

    for cx, cy in cards.card_centres_mm(cards.Paper.A4):
        for x in (-22.0, 22.0):  # upright lines just above and below the card
            for low, high in ((50.5, 51.7), (-51.7, -50.5)):
                ink = crop(page, (cx, cy), x - 1.5, low, x + 1.5, high).mean(axis=0)
                assert abs(middle_mm(ink, round((cx + x - 1.5) * PX_PER_MM)) - (cx + x)) < 0.1
        for y in (-50.0, 50.0):  # level lines beside it
            for left, right in ((-23.7, -22.5), (22.5, 23.7)):
                ink = crop(page, (cx, cy), left, y - 1.5, right, y + 1.5).mean(axis=1)
                found = (height / PX_PER_MM) - middle_mm(ink, round(height - (cy + y + 1.5) * PX_PER_MM))
                assert abs(found - (cy + y)) < 0.1


def test_the_bar_is_100_mm(one_page: np.ndarray) -> None:
    row = one_page[round(one_page.shape[0] - BAR_Y_MM * PX_PER_MM)]
    dark = np.flatnonzero(row < 128)
    assert abs((dark[-1] - dark[0] + 1) / PX_PER_MM - 100.0) < 0.1
    assert len(dark) == dark[-1] - dark[0] + 1


@pytest.mark.parametrize(
    ("paper", "points"), [(cards.Paper.A4, (595.28, 841.89)), (cards.Paper.LETTER, (612.0, 792.0))]
)
def test_pages_have_the_papers_size(tmp_path: Path, paper: cards.Paper, points: tuple[float, float]) -> None:
    # ISO 216: A4 is 210 mm x 297 mm; ANSI Letter is 8.5 in x 11 in; a point is 1/72 in.
    assert cards.write_pdf(tmp_path / "c.pdf", [cards.CardText(n) for n in range(9)], paper) == 2
    document = pdfium.PdfDocument(tmp_path / "c.pdf")
    assert document[0].get_size() == pytest.approx(points, abs=0.01)
    for x, y in cards.card_centres_mm(paper):  # nothing in the edge that printers leave white, nothing on the foot
        assert x - 22 > 6 and x + 22 < paper.width_mm - 6
        assert y - 50 > 20 and y + 50 < paper.height_mm - 6


def test_the_same_cards_give_the_same_file(tmp_path: Path) -> None:
    for name in ("a.pdf", "b.pdf"):
        cards.write_pdf(tmp_path / name, [cards.CardText(5, "North")])
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


@pytest.mark.parametrize("site", [0, 586, 587, 344_568])
def test_svg_holds_the_same_card(site: int) -> None:
    # Drawn here with OpenCV's even-odd filling from the file's own numbers, 20 px a millimetre.
    root = ET.fromstring(cards.card_svg(cards.CardText(site, 'A & "B" <C>')))
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("44mm", "100mm", "-22 -50 44 100")
    picture = np.full((2000, 880), 255, np.uint8)
    for path in root.iter("{http://www.w3.org/2000/svg}path"):
        rings = [
            np.array([[float(number) for number in point.split()] for point in ring.split("L")])
            for ring in path.get("d", "").replace("M", "").split("Z")
            if ring
        ]
        polygons = [np.round((ring + np.array([22, 50])) * 20 - 0.5).astype(np.int32) for ring in rings]
        cv2.fillPoly(picture, polygons, int(path.get("fill", "")[1:3], 16))
    found = sorted(markers_on(picture).values(), key=lambda marker: float(marker[1][:, 1].mean()))
    assert tuple(code for code, _ in found) == divmod(site, 587)
    for _, corners in found:
        assert np.abs(np.hypot(*(corners - np.roll(corners, 1, axis=0)).T) / 20 - 30).max() < 0.15


def test_letters_that_the_font_lacks_are_named() -> None:
    assert cards.missing_letters("Vườn Bắc, Đất đỏ") == ""
    assert cards.missing_letters("สวน A") == "สวน"


@pytest.mark.parametrize("label", ["", "   ", "$x^2$ \\frac{", "x" * 400, "a\nb"])
def test_any_label_is_printed_inside_the_card(tmp_path: Path, label: str) -> None:
    cards.write_pdf(tmp_path / "c.pdf", [cards.CardText(1, label)])
    for shape in cards.card_shapes(cards.CardText(1, label)):
        points = np.concatenate(shape.rings)
        assert np.abs(points[:, 0]).max() < 22 and np.abs(points[:, 1]).max() < 50


# ------------------------------------------------------------------ the check of a printed sheet


def photographed(page: np.ndarray, scale: tuple[float, float] = (1.0, 1.0), *, tilt: bool = True) -> np.ndarray:
    """A sheet as a scaling printer prints it, on a dark table, seen from a little to the side."""
    height, width = page.shape
    printed = np.full_like(page, 255)
    shrunk = cv2.resize(page, None, fx=scale[0], fy=scale[1], interpolation=cv2.INTER_AREA)
    h, w = min(height, shrunk.shape[0]), min(width, shrunk.shape[1])
    y, x = (height - h) // 2, (width - w) // 2
    sy, sx = (shrunk.shape[0] - h) // 2, (shrunk.shape[1] - w) // 2
    printed[y : y + h, x : x + w] = shrunk[sy : sy + h, sx : sx + w]
    source = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32) - 0.5
    away = np.array([(200, 170), (1240, 140), (1330, 1640), (130, 1600)], np.float32)
    square = (
        np.array([(100, 100), (100 + width, 100), (100 + width, 100 + height), (100, 100 + height)], np.float32) - 0.5
    )
    warp = cv2.getPerspectiveTransform(source, away if tilt else square)
    canvas = cv2.warpPerspective(printed, warp, (width + 250, height + 250), flags=cv2.INTER_AREA, borderValue=60)
    noisy = cv2.GaussianBlur(canvas, (0, 0), 0.8) * 0.9 + np.random.default_rng(1).normal(0, 3, canvas.shape)
    return np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> dict[cards.Paper, np.ndarray]:
    folder = tmp_path_factory.mktemp("sheet")
    pages = {}
    for paper in cards.Paper:
        cards.write_pdf(folder / "c.pdf", [cards.CardText(n * 997, "North") for n in range(8)], paper)
        pages[paper] = rendered(folder / "c.pdf", dpi=150)[0]
    return pages


@pytest.mark.parametrize("paper", list(cards.Paper))
@pytest.mark.parametrize("scale", [(1.0, 1.0), (0.94, 0.94), (0.97, 0.97), (1.03, 1.03), (1.0, 0.98)])
def test_a_scaling_printer_is_found_out(
    sheet: dict[cards.Paper, np.ndarray], paper: cards.Paper, scale: tuple[float, float]
) -> None:
    result = cards.check_sheet(photographed(sheet[paper], scale))
    assert result.paper is paper and result.cards == 8
    assert (result.scale_x, result.scale_y) == pytest.approx(scale, abs=0.004)
    assert result.good == (scale == (1.0, 1.0))
    assert ("true size" in result.sentence) == result.good


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_sheet_may_be_photographed_from_any_side(sheet: dict[cards.Paper, np.ndarray], turns: int) -> None:
    result = cards.check_sheet(np.ascontiguousarray(np.rot90(photographed(sheet[cards.Paper.A4], (1.0, 0.97)), turns)))
    assert (result.scale_x, result.scale_y) == pytest.approx((1.0, 0.97), abs=0.004)


def test_photos_that_cannot_be_measured_say_why(sheet: dict[cards.Paper, np.ndarray]) -> None:
    photo = photographed(sheet[cards.Paper.A4])
    with pytest.raises(WoundwoodError, match="does not show a sheet"):
        cards.check_sheet(np.full((400, 300, 3), 200, np.uint8))
    with pytest.raises(WoundwoodError, match="edges of the sheet cannot be found"):
        cards.check_sheet(np.ascontiguousarray(photo[150:1500, 200:1250]))


# ------------------------------------------------------------------ the command


@pytest.fixture
def small_grove(tmp_path: Path) -> Path:
    grove.create(tmp_path, "Vườn Bắc", "Asia/Ho_Chi_Minh")
    (tmp_path / "register" / "trees.csv").write_text("tree\nA-012\n")
    rows = "17,A-012,window,\n18,A-012,window,2026-01-01\n25,A-012,window,\n"
    (tmp_path / "register" / "sites.csv").write_text("site,tree,kind,retired_on\n" + rows)
    return tmp_path


def test_the_command_prints_sites_that_are_not_retired(small_grove: Path) -> None:
    done = CliRunner().invoke(command, [str(small_grove), "--json"], catch_exceptions=False)
    assert done.exit_code == 0 and '"sites": [\n    17,\n    25\n  ]' in done.output
    assert (small_grove / "reports" / "cards.pdf").stat().st_size > 1000


def test_the_command_writes_single_files_for_a_range(small_grove: Path) -> None:
    done = CliRunner().invoke(command, [str(small_grove), "17-20", "--svg", str(small_grove / "svg")])
    assert done.exit_code == 0, done.output
    assert sorted(path.name for path in (small_grove / "svg").iterdir()) == ["card_000017.svg", "card_000018.svg"]


@pytest.mark.parametrize("wanted", ["99", "x", "5-", "30-40"])
def test_the_command_refuses_sites_it_does_not_know(small_grove: Path, wanted: str) -> None:
    done = CliRunner().invoke(command, [str(small_grove), wanted])
    assert done.exit_code != 0
    assert not (small_grove / "reports" / "cards.pdf").exists()


def test_the_command_checks_a_photo(small_grove: Path, sheet: dict[cards.Paper, np.ndarray]) -> None:
    photo = small_grove / "sheet.jpg"
    for scale, code in ((1.0, 0), (0.95, 1)):
        cv2.imwrite(str(photo), photographed(sheet[cards.Paper.A4], (scale, scale)))
        done = CliRunner().invoke(command, [str(small_grove), "--check", str(photo)])
        assert done.exit_code == code, done.output
        assert "A4, 8 cards." in done.output
