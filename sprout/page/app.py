"""The pages: server-rendered, working without script; every write is a form that only a paired phone can send."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable
from datetime import date, timedelta
from importlib import resources
from typing import Any

from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from sprout.errors import SproutError, UsageError
from sprout.page import drawing, forms
from sprout.page.access import PAIRED_DAYS, Phone, Rate, code_in, kind_of_phone
from sprout.page.desk import MOST_FIELDS, SLOW_DOWN, Desk, House, now, plain, say, short, text_in
from sprout.page.guard import FORM_BYTES, PHOTO_BYTES, Guard
from sprout.page.uploads import Arrival, Busy, set_down

ASSETS = {"style.css": "text/css", "page.js": "text/javascript", "icon.svg": "image/svg+xml"}
_AGAIN = timedelta(minutes=3)
_OURS = re.compile(r"/(?:notes|site/[^/\s?#%\\]{1,20})(?:\?on=\d{4}-\d\d-\d\d)?")


class Pages(Desk):
    """One book's pages."""

    def __init__(self, house: House, *, cookie: str) -> None:
        super().__init__(house, cookie=cookie)
        assets = resources.files("sprout.page") / "assets"
        self._assets = {name: (assets / name).read_bytes() for name in ASSETS}
        self._tries = Rate(burst=5, per_minute=5)
        self._all_tries = Rate(burst=20, per_minute=20)

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
                ClientDisconnect: self._gone,
                Exception: self._broken,
            },
        )

    # what is shown

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
            picture=drawing.picture_of(c, on),
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
            picture=drawing.picture_of(c, on),
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
            moment=now(),
        )

    async def notes(self, request: Request, phone: Phone) -> Response:
        c = await self._contents()
        return self._page(request, "notes.html", phone, c=c, listed=list(c.notes)[::-1], moment=now())

    async def curves(self, request: Request, phone: Phone) -> Response:
        c = await self._contents()
        charts, small = await run_in_threadpool(drawing.charts_of, c)
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
        return self._page(request, "pair.html", None, code=code_in(request.query_params.get("code", "")), wrong=False)

    async def pair(self, request: Request) -> Response:
        peer = request.client.host if request.client else ""
        if not (self._tries.take(peer) and self._all_tries.take("")):
            raise HTTPException(429, SLOW_DOWN, {"Retry-After": "60"})
        form = await request.form(max_files=0, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES)
        if not self._house.codes.redeem(text_in(form, "code")):
            return self._page(request, "pair.html", None, status=403, code="", wrong=True)
        name = kind_of_phone(request.headers.get("user-agent", ""))
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
        await run_in_threadpool(self._house.phones.forget, text_in(form, "phone"))
        return RedirectResponse("/phones", 303)

    # what is sent

    async def photo(self, request: Request, phone: Phone) -> Response:
        form = await self._form(request, phone, files=1)
        try:
            upload = form.get("photo")
            if not isinstance(upload, UploadFile) or not upload.size:
                raise UsageError("", "no photo was chosen", "tap the button and take one")
            on = forms.day_in(plain(form), "on", today=date.today())
            outcome = await run_in_threadpool(self._log, upload, on)
        except (SproutError, Busy) as e:
            self._house.phones.tell(phone, say(e), amiss=True)
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
            words = f"Read: {drawing.up_in_words(c, on_day)}. Tap a site to correct it."
        self._house.phones.tell(phone, words)
        return RedirectResponse(f"/day/{on_day}" if on_day in c.rows else "/", 303)

    def _log(self, upload: UploadFile, on: date | None) -> Any:
        with set_down(upload.file, upload.filename or "") as file:
            return self._house.read(Arrival(self._house.shelf.path.resolve(), file, on, self._house.settings))

    async def fix(self, request: Request, phone: Phone) -> Response:
        form = await self._form(request, phone)
        fields = plain(form)

        def write() -> str:
            fix, withdrawn = forms.fix_of(fields, today=date.today())
            with self._house.shelf.open() as book:
                book.add_fix(fix, comment="from the page", withdrawn=withdrawn)
            if withdrawn:
                return f"{fix['site']}: the correction was taken back."
            count = fix.get("seedlings")
            said = "up, not counted" if count is None else f"{count} seedling{'' if count == 1 else 's'}"
            return f"{fix['site']} on {short(fix['date'])}: {said if count != 0 else 'empty'}. Noted."

        await self._write(phone, write)
        return RedirectResponse(_back(fields), 303)

    async def note(self, request: Request, phone: Phone) -> Response:
        form = await self._form(request, phone)
        fields = plain(form)
        numbers: list[int] = []

        def write() -> str:
            note = forms.note_of(fields, now=now())
            with self._house.shelf.open() as book:
                numbers.extend(book.add_notes([note], untold=_AGAIN))
            return f"Noted for {short(note.moment)}: {forms.in_words(note)}."

        if self._first_time(form):
            await self._write(phone, write)
        else:
            self._house.phones.tell(phone, "That was noted already; a second tap changes nothing.")
        # after the answer has gone out: one that a power cut kept back is sent anew, and must not count twice
        return RedirectResponse(_back(fields), 303, background=BackgroundTask(self._told, numbers))

    def _told(self, numbers: list[int]) -> None:
        """The phone has heard of these notes; the same again is a new one."""
        if numbers:
            with contextlib.suppress(SproutError), self._house.shelf.open() as book:
                book.told(numbers)

    async def withdraw(self, request: Request, phone: Phone) -> Response:
        form = await self._form(request, phone)
        fields = plain(form)

        def write() -> str:
            with self._house.shelf.open() as book:
                note = book.withdraw_note(forms.number_in(fields, "number"))
            return f"Taken back: {forms.in_words(note)}."

        await self._write(phone, write)
        return RedirectResponse("/notes", 303)


def make_app(house: House, *, cookie: str, hosts: Iterable[str], **limits: float) -> Guard:
    """The pages behind their guard; ``cookie`` is the name under which phones keep their secret."""
    return Guard(Pages(house, cookie=cookie).app(), hosts=hosts, **limits)


def _back(fields: dict[str, str]) -> str:
    """The page that a form came from: one of ours, by its shape."""
    back = fields.get("back", "")
    return back if _OURS.fullmatch(back) else "/"


def _crops() -> list[str]:
    from sprout.calibration import crops

    return sorted(crops())
