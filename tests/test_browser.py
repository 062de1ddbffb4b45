"""The page as a phone shows it: a real browser, a real photo, the true reading. Pictures go to ``artefacts/page``."""

from __future__ import annotations

import io
import shutil
import warnings
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import axe
import cv2
import html5lib
import pytest
from pages import Page, served
from PIL import Image
from PIL.ExifTags import GPS, IFD

from sprout.book import Book, Grow
from sprout.intake import log_photos
from sprout.lid import read_lid
from sprout.page.uploads import Reader
from sprout.photo import photo_header
from sprout.plugs import Sowing
from sprout.survey import learn_view

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_images"
ARTEFACTS = ROOT / "artefacts" / "page"
PAGES = ("/", "/notes", "/curves", "/days", "/phones")
WIDTH, HEIGHT = 390, 844
FLAGS = (
    "headless no-sandbox disable-gpu disable-quic no-first-run disable-background-networking disable-component-update"
    " disable-sync disable-dev-shm-usage lang=en-GB"
)

webdriver = pytest.importorskip("selenium.webdriver", reason="the driver of the browser is not installed: selenium")
exceptions = pytest.importorskip("selenium.common.exceptions")
ui = pytest.importorskip("selenium.webdriver.support.ui")


class Phone:
    """A browser the size of a phone."""

    def __init__(self, page: Page, profile: Path, *, script: bool = True, dark: bool = False) -> None:
        driver = shutil.which("chromedriver")
        if driver is None:
            pytest.skip("no chromedriver is installed; on Debian: apt-get install chromium chromium-driver")
        options = webdriver.ChromeOptions()
        options.binary_location = axe.chromium()
        for flag in (*FLAGS.split(), f"user-data-dir={profile}"):
            options.add_argument(f"--{flag}")
        metrics = {"width": WIDTH, "height": HEIGHT, "pixelRatio": 2.0, "touch": True}
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
        self.page = page
        self.browser = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
        if not script:
            # the page has this one and its policy allows no other; with scripts off altogether the driver stands still
            self.browser.execute_cdp_cmd("Network.enable", {})
            self.browser.execute_cdp_cmd("Network.setBlockedURLs", {"urls": ["*/page.js"]})
        if dark:
            scheme = {"features": [{"name": "prefers-color-scheme", "value": "dark"}]}
            self.browser.execute_cdp_cmd("Emulation.setEmulatedMedia", scheme)

    def __enter__(self) -> Phone:
        return self

    def __exit__(self, *exc: object) -> None:
        self.browser.quit()

    def open(self, path: str) -> None:
        self.browser.get(self.page.address + path)

    def pair(self) -> None:
        with self.page.stranger() as client:  # which has a code shown if none is good
            client.get("/pair")
        self.open(f"/pair?code={self.page.codes[-1]}")
        self.tap("Pair this phone")
        self.sees("plugs up")

    def one(self, css: str) -> Any:
        return self.browser.find_element("css selector", css)

    def tap(self, text: str) -> None:
        """Tap the button of that name."""
        self.browser.find_element("xpath", f"//button[normalize-space()='{text}']").click()

    @property
    def text(self) -> str:
        return " ".join(str(self.one("main").text).split())

    def sees(self, words: str) -> None:
        """Wait until the page shows these words: a form that was sent brings the next page in its own time."""
        away = (exceptions.StaleElementReferenceException, exceptions.NoSuchElementException)
        wait = ui.WebDriverWait(self.browser, 60, poll_frequency=0.1, ignored_exceptions=away)
        wait.until(lambda _: words in self.text, f"{words!r} does not show")

    def picture(self, name: str) -> None:
        """The whole page as a picture to look at."""
        size = self.browser.execute_cdp_cmd("Page.getLayoutMetrics", {})["cssContentSize"]
        whole = {"width": WIDTH, "height": min(int(size["height"]), 4000), "deviceScaleFactor": 1.5, "mobile": True}
        self.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", whole)
        ARTEFACTS.mkdir(parents=True, exist_ok=True)
        self.browser.save_screenshot(str(ARTEFACTS / f"{name}.png"))
        back = {"width": WIDTH, "height": HEIGHT, "deviceScaleFactor": 2, "mobile": True}
        self.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", back)

    def complaints(self) -> list[str]:
        """What the browser has to say against the page, its security policy above all."""
        return [entry["message"] for entry in self.browser.get_log("browser")]


def sample_book(folder: Path) -> Book:
    """The sample grow up to day 8."""
    lid = read_lid(SAMPLES / "lid.toml")
    empty = SAMPLES / "photos" / "day00.jpg"
    grow = Grow(date(2026, 8, 22), {site: Sowing("basil", 2) for site in lid.labels}, 4.0)
    book = Book.begin(folder, grow, lid=lid, view=learn_view(empty, lid), view_sha256=photo_header(empty).sha256)
    list(log_photos(book, [empty, SAMPLES / "photos" / "day08.jpg"]))
    return book


def located(photo: Path, out: Path) -> Path:
    """The photo as a phone writes it that knows where it is, and whose software says something unkind."""
    with Image.open(photo) as picture:
        exif = picture.getexif()
        exif[0x0131] = "<script>alert('exif')</script>"
        exif[IFD.GPSInfo] = {GPS.GPSLatitudeRef: "N", GPS.GPSLatitude: (12.0, 34.0, 56.78)}
        picture.save(out, quality=95, exif=exif)
    with Image.open(out) as picture:
        assert picture.getexif().get_ifd(IFD.GPSInfo)[GPS.GPSLatitude] == (12.0, 34.0, 56.78)
    return out


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    axe.chromium()
    with sample_book(tmp_path_factory.mktemp("grow") / "book") as book:
        path = book.path
    reader = Reader()
    try:
        with served(path, read=reader) as shown:
            yield shown
    finally:
        reader.close()


def test_a_day_with_the_phone(page: Page, tmp_path: Path) -> None:
    photo = located(SAMPLES / "photos" / "day10.jpg", tmp_path / "day10.jpg")
    with Phone(page, tmp_path / "profile") as phone:
        phone.open("/")
        assert phone.browser.current_url.endswith("/pair")
        phone.picture("pair")
        phone.pair()
        phone.picture("today")

        # the photo: chosen is sent
        phone.one(".shoot [type=file]").send_keys(str(photo))
        phone.sees("Read: 12 of 15 plugs up. Tap a site to correct it.")
        assert phone.browser.current_url.endswith("/day/2026-09-01")
        assert (
            phone.browser.execute_script("return document.querySelector('.lid image').getBoundingClientRect().width")
            > 0
        )
        phone.picture("day")

        # a site with nothing up is in truth up: tapped where it lies in the picture
        spot = phone.one('.lid a[aria-label^="B2"]')
        assert spot.get_attribute("aria-label") == "B2: empty"
        assert min(spot.rect["width"], spot.rect["height"]) >= 44  # CSS px: WCAG 2.2, success criterion 2.5.5
        phone.browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", spot)
        webdriver.ActionChains(phone.browser).move_to_element(spot).click().perform()
        phone.picture("site")
        phone.tap("1")
        phone.sees("B2 on 1 Sep: 1 seedling. Noted.")
        phone.open("/day/2026-09-01")
        phone.sees("B2 1 seedling corrected")
        assert phone.one('.lid a[aria-label^="B2"]').get_attribute("aria-label") == "B2: 1 seedling"

        # water, seen in the table
        phone.open("/notes")
        phone.one("[name=litres]").send_keys("0,8")
        phone.tap("Note water")
        phone.sees("0.8 l water added.")
        phone.picture("notes")
        phone.open("/days")
        phone.sees("+0.8")
        phone.picture("days")
        phone.open("/curves")
        phone.picture("curves")
        assert phone.complaints() == []
    with page.opened() as book:
        assert book.photos()["date"].tolist() == ["2026-08-22", "2026-08-30", "2026-09-01"]
        assert book.photos()["photo"].tolist()[-1] == "day10.jpg"
        assert book.evidence().fixes[["date", "site", "seedlings"]].to_numpy().tolist() == [["2026-09-01", "B2", 1]]


def test_the_place_of_a_photo_is_kept_nowhere(page: Page, tmp_path: Path) -> None:
    photo = located(SAMPLES / "photos" / "day12.jpg", tmp_path / "day12.jpg")
    with Phone(page, tmp_path / "profile") as phone:
        phone.pair()
        phone.one(".shoot [type=file]").send_keys(str(photo))
        phone.sees("Read:")
        assert "exif" not in phone.browser.page_source
    seconds = (56.78).as_integer_ratio()
    for file in page.book.rglob("*"):
        data = file.read_bytes() if file.is_file() else b""
        assert b"alert('exif')" not in data, file
        assert str(seconds[0]).encode() not in data, file
        if file.suffix == ".jpg":
            with Image.open(io.BytesIO(data)) as kept:
                assert dict(kept.getexif()) == {}, file


def test_the_basics_work_without_script(page: Page, tmp_path: Path) -> None:
    with Phone(page, tmp_path / "profile", script=False) as phone:
        phone.pair()
        assert phone.one("html").get_attribute("class") == ""
        phone.picture("today-no-script")
        phone.one(".shoot [type=file]").send_keys(str(SAMPLES / "photos" / "day06.jpg"))
        assert phone.browser.current_url.endswith("/")  # nothing sends it but the button
        phone.tap("Read this photo")
        phone.sees("Read: ")
        assert phone.browser.current_url.endswith("/day/2026-08-28")
        phone.open("/site/A1?on=2026-08-28")
        phone.tap("2")
        phone.sees("A1 on 28 Aug: 2 seedlings. Noted.")
        phone.open("/notes")
        phone.one("[name=amount]").send_keys("6")
        phone.tap("Note food")
        phone.sees("6 ml plant food added.")


def test_pages_are_sound_and_open_to_all(page: Page, tmp_path: Path) -> None:
    with Phone(page, tmp_path / "profile", dark=True) as phone:
        phone.pair()
        checker = axe.checker()
        for path in (
            "/",
            "/notes",
            "/curves",
            "/days",
            "/phones",
            "/site/A1",
            "/site/C5?on=2026-08-22",
            "/nothing",
            "/pair",
        ):
            phone.open(path)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of the parser's own making
                html5lib.HTMLParser(strict=True).parse(sent(phone, path))
            phone.browser.execute_script(checker)
            found = phone.browser.execute_async_script(
                "axe.run(document, {resultTypes: ['violations']}).then(f => arguments[0]("
                "f.violations.map(v => [v.id, v.impact, v.nodes.map(n => n.html.slice(0, 160))])))"
            )
            assert found == [], path
            wide = phone.browser.execute_script("return document.documentElement.scrollWidth")
            assert wide <= WIDTH, path
        phone.open("/")
        phone.picture("today-dark")
        phone.open("/phones")
        phone.tap("Pair another phone")
        phone.sees("good for ten minutes and for one phone")
        phone.picture("phones-dark")
        shown = cv2.imread(str(ARTEFACTS / "phones-dark.png"), cv2.IMREAD_GRAYSCALE)
        code = phone.one("p.code").text
        assert cv2.QRCodeDetector().detectAndDecode(shown)[0] == f"{page.address}/pair?code={code}"


def sent(phone: Phone, path: str) -> str:
    """The page as the server sent it."""
    cookies = {c["name"]: c["value"] for c in phone.browser.get_cookies()}
    with phone.page.stranger() as client:
        client.cookies.update(cookies)
        return client.get(path).text
