"""The pages: server-rendered, working without script; every write is a form that only a paired phone can send."""

from __future__ import annotations

import functools
import re
import secrets
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from importlib import resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from sprout.errors import BookError, SproutError, UsageError
from sprout.page import drawing, forms
from sprout.page.access import PAIRED_DAYS, Codes, Phone, Phones, Rate, form_token, right_token
from sprout.page.contents import Contents, Shelf
from sprout.page.guard import FORM_BYTES, PHOTO_BYTES, Guard
from sprout.page.uploads import Arrival, Busy, Read, set_down, spoken
from sprout.settings import Settings

ASSETS = {"style.css": "text/css", "page.js": "text/javascript", "icon.svg": "image/svg+xml"}
_MOST_FIELDS = 20
_OURS = re.compile(r"/(?:notes|site/[^/\s?#%\\]{1,20})(?:\?on=\d{4}-\d\d-\d\d)?")
_SLOW_DOWN = "That is too often. Wait a minute and try again."
Handler = Callable[[Request], Awaitable[Response]]


@dataclass
class House:
    """What the pages stand on.

    Attributes
    ----------
    address:
        How the page is reached, as ``http://192.0.2.7:8517``.
    announce:
        Shows a new pairing code where the page was started.
    """

    shelf: Shelf
    phones: Phones
    codes: Codes
    read: Read
    settings: Settings
    address: str
    announce: Callable[[str], None]


class Pages:
    """One book's pages."""

    def __init__(self, house: House, *, cookie: str) -> None:
        self._house, self._cookie = house, cookie
        self._templates = Environment(
            loader=PackageLoader("sprout.page"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters.update(day=_day, deed=forms.in_words)
        self._templates.globals.update(today=date.today, words=drawing.in_words)
        assets = resources.files("sprout.page") / "assets"
        self._assets = {name: (assets / name).read_bytes() for name in ASSETS}
        self._tries = Rate(burst=5, per_minute=5)
        self._all_tries = Rate(burst=20, per_minute=20)
        self._writes = Rate(burst=30, per_minute=60)
        self._photos = Rate(burst=10, per_minute=6)

    def app(self) -> Starlette:
        """The application, without its guard."""
        get, post = ["GET"], ["POST"]
        return Starlette(
            routes=[
                Route("/", self._paired(self.today), methods=get),
                Route("/day/{date}", self._paired(self.day), methods=get),
                Route("/site/{site}", self._paired(self.site), methods=get),
                Route("/notes", self._paired(self.notes), methods=get),
                Route("/curves", self._paired(self.curves), methods=get),
                Route("/days", self._paired(self.days), methods=get),
                Route("/phones", self._paired(self.all_phones), methods=get),
                Route("/view/{key}", self._paired(self.view), methods=get),
                Route("/photo", self._paired(self.photo), methods=post),
                Route("/fix", self._paired(self.fix), methods=post),
                Route("/note", self._paired(self.note), methods=post),
                Route("/withdraw", self._paired(self.withdraw), methods=post),
                Route("/phones/new", self._paired(self.new_phone), methods=post),
                Route("/phones/forget", self._paired(self.forget_phone), methods=post),
                Route("/pair", self.ask_code, methods=get),
                Route("/pair", self.pair, methods=post),
                Route("/static/{name}", self.static, methods=get),
            ],
            exception_handlers={
                HTTPException: self._refused,
                SproutError: self._at_fault,
                Busy: self._busy,
                Exception: self._broken,
            },
        )

    # who is there

    def _phone(self, request: Request) -> Phone | None:
        return self._house.phones.known(request.cookies.get(self._cookie, ""))

    def _paired(self, handler: Callable[..., Awaitable[Response]]) -> Handler:
        """The handler for paired phones only; others are led to the pairing page, and their forms refused."""

        @functools.wraps(handler)
        async def guarded(request: Request) -> Response:
            phone = self._phone(request)
            if phone is not None:
                return await handler(request, phone)
            if request.method == "POST":
                raise HTTPException(403, "This phone is not paired. Pair it first.")
            return RedirectResponse("/pair", 303)

        return guarded

    async def _form(self, request: Request, phone: Phone, *, files: int = 0) -> FormData:
        """The form that a paired phone sent from a page of ours.

        Raises
        ------
        HTTPException
            If it came too often, is none, or does not carry the phone's token.
        """
        rate = self._photos if files else self._writes
        if not rate.take(phone.hash):
            raise HTTPException(429, _SLOW_DOWN, {"Retry-After": "60"})
        form = await request.form(max_files=files, max_fields=_MOST_FIELDS, max_part_size=FORM_BYTES)
        if not right_token(request.cookies.get(self._cookie, ""), _text(form, "token")):
            await form.close()
            raise HTTPException(403, "This form is out of date. Go back, load the page again, and send it once more.")
        return form

    def _first_time(self, form: FormData) -> bool:
        return self._house.phones.first_time(_text(form, "once"))

    # what is shown

    def _page(self, request: Request, name: str, phone: Phone | None, *, status: int = 200, **more: Any) -> Response:
        told, amiss = self._house.phones.told(phone) if phone else ("", False)
        secret = request.cookies.get(self._cookie, "")
        text = self._templates.get_template(name).render(
            here=request.url.path,
            token=form_token(secret) if phone else "",
            once=secrets.token_urlsafe(12),
            told=told,
            amiss=amiss,
            paired=phone is not None,
            **more,
        )
        return HTMLResponse(text, status)

    async def _contents(self) -> Contents:
        return await run_in_threadpool(self._house.shelf.contents)

    async def today(self, request: Request, phone: Phone) -> Response:
        c = await self._contents()
        on = c.days[-1] if c.days else ""
        tasks = [t for t in c.ahead.to_do if t.when <= c.ahead.as_of]
        return self._page(
            request,
            "today.html",
            phone,
            c=c,
            on=on,
            picture=_picture(c, on),
            news=c.news(on) if on else [],
            tasks=tasks,
            later=[t for t in c.ahead.to_do if t.when > c.ahead.as_of],
            megabytes=int(PHOTO_BYTES / 1e6),
        )

    async def day(self, request: Request, phone: Phone) -> Response:
        c = await self._contents()
        on = request.path_params["date"]
        if on not in c.rows:
            raise HTTPException(404, "There is no look of that day in the book.")
        place = c.days.index(on)
        return self._page(
            request,
            "day.html",
            phone,
            c=c,
            on=on,
            picture=_picture(c, on),
            news=c.news(on),
            before=c.days[place - 1] if place else "",
            after=c.days[place + 1] if place + 1 < len(c.days) else "",
        )

    async def site(self, request: Request, phone: Phone) -> Response:
        c = await self._contents()
        site = request.path_params["site"]
        if site not in c.lid.labels:
            raise HTTPException(404, "There is no such site on the lid.")
        on = request.query_params.get("on", "") or (c.days[-1] if c.days else "")
        if on and on not in c.rows:
            raise HTTPException(404, "There is no look of that day in the book.")
        row = c.of_site(site, on) if on else None
        plug = row["plug"] if row else c.standing.get(site)
        advice = next((p for p in c.ahead.plugs if p.plug == plug and p.site == site), None)
        return self._page(
            request,
            "site.html",
            phone,
            c=c,
            site=site,
            on=on,
            row=row,
            plug=plug,
            advice=advice,
            history=c.of_plug(plug)[::-1] if plug else [],
            corrected=(on, site) in c.fixed,
            latest=not c.days or on == c.days[-1],
            crops=_crops(),
            sown=c.grow.sowing.get(site) or next(iter(c.grow.sowing.values())),
            moment=_now(),
        )

    async def notes(self, request: Request, phone: Phone) -> Response:
        c = await self._contents()
        return self._page(request, "notes.html", phone, c=c, listed=list(c.notes)[::-1], moment=_now())

    async def curves(self, request: Request, phone: Phone) -> Response:
        c = await self._contents()
        charts, small = await run_in_threadpool(_charts, c)
        return self._page(request, "curves.html", phone, c=c, charts=charts, small=small)

    async def days(self, request: Request, phone: Phone) -> Response:
        return self._page(request, "days.html", phone, c=await self._contents())

    async def view(self, request: Request, phone: Phone) -> Response:
        """A straightened photo, by a name looked up among those of the book; never a path."""
        view = (await self._contents()).by_key.get(request.path_params["key"])
        if view is None:
            raise HTTPException(404, "There is no such picture.")
        try:
            data = await run_in_threadpool(view.file.read_bytes)
        except OSError:
            raise HTTPException(404, "There is no such picture.") from None
        return Response(data, media_type="image/jpeg")

    async def static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in self._assets:
            raise HTTPException(404, "There is no such page.")
        return Response(self._assets[name], media_type=ASSETS[name], headers={"Cache-Control": "max-age=300"})

    # pairing

    async def ask_code(self, request: Request) -> Response:
        if not self._house.codes.waits:  # a code that ran out is replaced when somebody asks for one
            self._house.announce(self._house.codes.new())
        return self._page(request, "pair.html", None, code=_code(request.query_params.get("code", "")), wrong=False)

    async def pair(self, request: Request) -> Response:
        peer = request.client.host if request.client else ""
        if not (self._tries.take(peer) and self._all_tries.take("")):
            raise HTTPException(429, _SLOW_DOWN, {"Retry-After": "60"})
        form = await request.form(max_files=0, max_fields=_MOST_FIELDS, max_part_size=FORM_BYTES)
        if not self._house.codes.redeem(_text(form, "code")):
            return self._page(request, "pair.html", None, status=403, code="", wrong=True)
        name = _kind_of_phone(request.headers.get("user-agent", ""))
        secret = await run_in_threadpool(self._house.phones.pair, name)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self._cookie, secret, max_age=PAIRED_DAYS * 86400, httponly=True, samesite="strict", path="/")
        return answer

    async def all_phones(self, request: Request, phone: Phone) -> Response:
        return self._page(
            request, "phones.html", phone, phones=self._house.phones.all(), own=phone.hash, code="", picture="", link=""
        )

    async def new_phone(self, request: Request, phone: Phone) -> Response:
        await self._form(request, phone)
        from sprout.page.server import pairing_link, qr_svg

        code = self._house.codes.new()
        link = pairing_link(self._house.address, code)
        phones = self._house.phones.all()
        return self._page(
            request, "phones.html", phone, phones=phones, own=phone.hash, code=code, picture=qr_svg(link), link=link
        )

    async def forget_phone(self, request: Request, phone: Phone) -> Response:
        form = await self._form(request, phone)
        await run_in_threadpool(self._house.phones.forget, _text(form, "phone"))
        return RedirectResponse("/phones", 303)

    # what is sent

    async def photo(self, request: Request, phone: Phone) -> Response:
        form = await self._form(request, phone, files=1)
        try:
            upload = form.get("photo")
            if not isinstance(upload, UploadFile) or not upload.size:
                raise UsageError("", "no photo was chosen", "tap the button and take one")
            on = forms.day_in(_plain(form), "on", today=date.today())
            outcome = await run_in_threadpool(self._log, upload, on)
        except (UsageError, BookError, Busy) as e:
            self._house.phones.tell(phone, _say(e), amiss=True)
            return RedirectResponse("/", 303)
        finally:
            await form.close()
        if outcome.outcome in ("refused", "unread"):
            self._house.phones.tell(phone, f"The photo could not be used: {outcome.reason}.", amiss=True)
            return RedirectResponse("/", 303)
        c = await self._contents()
        on_day = outcome.day.isoformat() if outcome.day else ""
        again = outcome.outcome == "held"
        if again and outcome.reason:
            words = f"The book has this photo already; it could not be used: {outcome.reason}."
        elif again:
            words = "The book has this photo already. Nothing was changed."
        else:
            words = f"Read: {_up(c, on_day)}. Tap a site to correct it."
        self._house.phones.tell(phone, words)
        return RedirectResponse(f"/day/{on_day}" if on_day in c.rows else "/", 303)

    def _log(self, upload: UploadFile, on: date | None) -> Any:
        with set_down(upload.file, upload.filename or "") as file:
            return self._house.read(Arrival(self._house.shelf.path.resolve(), file, on, self._house.settings))

    async def fix(self, request: Request, phone: Phone) -> Response:
        form = await self._form(request, phone)
        fields = _plain(form)

        def write() -> str:
            fix, withdrawn = forms.fix_of(fields, today=date.today())
            with self._house.shelf.open() as book:
                book.add_fix(fix, comment="from the page", withdrawn=withdrawn)
            if withdrawn:
                return f"{fix['site']}: the correction was taken back."
            count = fix.get("seedlings")
            said = "up, not counted" if count is None else f"{count} seedling{'' if count == 1 else 's'}"
            return f"{fix['site']} on {_day(fix['date'])}: {said if count != 0 else 'empty'}. Noted."

        await self._write(phone, write)
        return RedirectResponse(_back(fields), 303)

    async def note(self, request: Request, phone: Phone) -> Response:
        form = await self._form(request, phone)
        fields = _plain(form)

        def write() -> str:
            note = forms.note_of(fields, now=_now())
            with self._house.shelf.open() as book:
                book.add_notes([note])
            return f"Noted for {_day(note.moment)}: {forms.in_words(note)}."

        if self._first_time(form):
            await self._write(phone, write)
        else:
            self._house.phones.tell(phone, "That was noted already; a second tap changes nothing.")
        return RedirectResponse(_back(fields), 303)

    async def withdraw(self, request: Request, phone: Phone) -> Response:
        form = await self._form(request, phone)
        fields = _plain(form)

        def write() -> str:
            with self._house.shelf.open() as book:
                note = book.withdraw_note(forms.number_in(fields, "number"))
            return f"Taken back: {forms.in_words(note)}."

        await self._write(phone, write)
        return RedirectResponse("/notes", 303)

    async def _write(self, phone: Phone, write: Callable[[], str]) -> None:
        """Do it, and tell on the next page how it went."""
        try:
            self._house.phones.tell(phone, await run_in_threadpool(write))
        except SproutError as e:
            self._house.phones.tell(phone, _say(e), amiss=True)

    # what goes wrong

    def _trouble(self, request: Request, status: int, words: str, headers: Any = None) -> Response:
        page = self._page(request, "trouble.html", None, status=status, words=words)
        page.headers.update(headers or {})
        return page

    async def _refused(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        words = error.detail if error.detail.endswith(".") else "There is no such page."
        return self._trouble(request, error.status_code, words, error.headers)

    async def _at_fault(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, SproutError)
        return self._trouble(request, 503 if isinstance(error, BookError) else 500, f"{spoken(error)}.")

    async def _busy(self, request: Request, error: Exception) -> Response:
        return self._trouble(request, 503, _say(error), {"Retry-After": "30"})

    async def _broken(self, request: Request, error: Exception) -> Response:
        return PlainTextResponse(f"A fault of sprout itself ({type(error).__name__}). The book is safe.\n", 500)


def make_app(house: House, *, cookie: str, hosts: Iterable[str], **limits: float) -> Guard:
    """The pages behind their guard; ``cookie`` is the name under which phones keep their secret."""
    return Guard(Pages(house, cookie=cookie).app(), hosts=hosts, **limits)


def _text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value if isinstance(value, str) else ""


def _plain(form: FormData) -> dict[str, str]:
    return {name: value for name, value in form.items() if isinstance(value, str)}


def _say(error: Exception) -> str:
    if isinstance(error, Busy):
        return "Too many photos wait to be read. Try again in a minute."
    assert isinstance(error, SproutError)
    words = spoken(error)
    if isinstance(error, UsageError) and error.subject:
        words = f"{error.subject}: {words}"
    return f"{words[:1].upper()}{words[1:]}."


def _back(fields: dict[str, str]) -> str:
    """The page that a form came from: one of ours, by its shape."""
    back = fields.get("back", "")
    return back if _OURS.fullmatch(back) else "/"


def _now() -> datetime:
    return datetime.now()


def _day(text: object) -> str:
    """A date as ``4 Apr``."""
    day = text if isinstance(text, date) else date.fromisoformat(str(text)[:10])
    return f"{day.day} {day:%b}"


def _code(text: str) -> str:
    return text if re.fullmatch(r"[A-Za-z0-9-]{1,12}", text) else ""


def _kind_of_phone(agent: str) -> str:
    for word in ("iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux"):
        if word in agent:
            return {"Macintosh": "Mac"}.get(word, word)
    return "phone"


def _crops() -> list[str]:
    from sprout.calibration import crops

    return sorted(crops())


def _picture(c: Contents, on: str) -> drawing.LidPicture:
    new = frozenset(change.site for change in c.news(on) if change.kind in ("sprouted", "more")) if on else frozenset()
    return drawing.lid_picture(c.lid, c.rows.get(on, ()), standing=c.standing, view=c.views.get(on), new=new)


def _up(c: Contents, on: str) -> str:
    rows = c.rows.get(on, ())
    up = sum(row["status"] == "sprouted" for row in rows)
    return f"{up} of {len(rows)} plugs up"


def _charts(c: Contents) -> tuple[list[drawing.Chart], list[drawing.Chart]]:
    """Germination per crop and leaf over the lid; leaf of each plug."""
    charts = []
    for crop, rows in c.curves.items():
        days = [float(r["day"]) for r in rows]

        def column(name: str, rows: Any = rows, days: Any = days) -> list[tuple[float, float | None]]:
            return list(zip(days, (r[name] for r in rows), strict=True))

        charts.append(
            drawing.chart(
                f"Plugs up, % ({crop})",
                seen=column("up_pct"),
                fitted=column("fit_pct"),
                band=(column("low_pct"), column("high_pct")),
                most=100,
                unit=" %",
            )
        )
    whole = c.by_day
    cover = [(float(r["day"]), r["cover_pct"]) for r in whole]
    charts.append(drawing.chart("Leaf, % of the lid’s area", seen=cover, unit=" %", dots=True))
    most = max([r["tissue_cm2"] or 0.0 for rows in c.rows.values() for r in rows], default=0.0)
    small = []
    for site, plug in c.standing.items():
        leaf = [(float(r["day"]), r["tissue_cm2"]) for r in c.of_plug(plug)]
        if any(v for _, v in leaf):
            small.append(drawing.chart(site, seen=leaf, most=most or None, unit=" cm²", dots=True))
    return charts, small
