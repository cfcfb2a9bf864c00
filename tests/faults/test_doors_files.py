"""What is taken out of the pages and brought into them: for whom, how much, and of which kind."""

import json
from contextlib import ExitStack

import pytest
from faults.doors_site import Site, nothing_secret_in_the_log, raw
from faults.doors_speaker import PEOPLE, Speaker, asked, page_token
from streamlit.proto.BackMsg_pb2 import BackMsg

from fleetbrake.access.addresses import LARGEST_UPLOAD
from fleetbrake.access.brought_in import MOST_KEPT, NO_SHEET

# --- out -------------------------------------------------------------------------------------------------------------


def test_a_file_is_for_whom_it_was_made_alone(site: Site) -> None:
    cookie = site.cookie("one-safety", age_s=900.0)
    with Speaker(site.at, cookie) as speaker:
        (url,) = speaker.operate("deferred_file", file_id=speaker.rerun("drivers").later[0]).files
        assert url.startswith("/media/")
        status, headers, body = asked(site.at, url, Cookie=cookie)
        assert status == 200 and body and headers["cache-control"] == "no-store"
        others = ["", *(site.cookie(person) for person in PEOPLE if person != "one-safety")]
        others += [site.cookie("one-safety", iss="https://other.example.org"), site.cookie("one-safety", groups=["x"])]
        for other in others:
            for method, more in (("GET", {}), ("GET", {"Range": "bytes=0-9"}), ("HEAD", {})):
                status, _, refused = asked(site.at, url, method=method, Cookie=other, **more)
                assert status == 403 and len(refused) < 200 and body[:10] not in refused
        assert asked(site.at, url, Cookie=cookie, Sec_Fetch_Site="cross-site")[0] == 403


def test_a_file_is_not_whose_page_repeats_its_address(site: Site) -> None:
    """A page repeats an unknown id out of its address: what somebody wrote there makes nothing his."""
    mine = site.cookie("one-safety", age_s=910.0)
    with Speaker(site.at, mine) as speaker:
        (url,) = speaker.operate("deferred_file", file_id=speaker.rerun("drivers").later[0]).files
        assert asked(site.at, url, Cookie=mine)[0] == 200
        other = site.cookie("one-planner", age_s=800.0)
        with Speaker(site.at, other) as planner:
            echoed = [planner.rerun(page, f"{page}={url}") for page in ("vehicle", "event")]
        assert any(drawn.holds(url) for drawn in echoed), "else nothing was tried"
        assert asked(site.at, url, Cookie=other)[0] == 403


# --- in --------------------------------------------------------------------------------------------------------------

_SLOT = "/_stcore/upload_file/00000000-0000-0000-0000-000000000000/00000000-0000-0000-0000-000000000001"
_SHEET = b"vehicle_id,inspected_on,finding\r\n"


@pytest.mark.parametrize("person", ["", "one-analyst", "one-safety", "one-planner"])
def test_what_is_brought_in_is_refused_before_it_is_read(site: Site, person: str) -> None:
    """A gigabyte is announced and nothing of it sent: the answer comes at once, from the announcement alone."""
    cookie = f"Cookie: {site.cookie(person)}" if person else "X-None: 1"
    status, _, _ = raw(site.port, f"PUT {_SLOT} HTTP/1.1", cookie, "Content-Length: 1000000000")
    assert status == (413 if person == "one-planner" else 403)
    status, _, _ = raw(site.port, f"PUT {_SLOT} HTTP/1.1", cookie, "Transfer-Encoding: chunked")
    assert status == (411 if person == "one-planner" else 403)
    for method, path in (("POST", "/"), ("PUT", "/vehicle"), ("POST", _SLOT), ("PUT", "/media/x")):
        assert raw(site.port, f"{method} {path} HTTP/1.1", cookie, "Content-Length: 1000000000")[0] in (404, 405)


def _places(speaker: Speaker, *names: str, patience_s: float = 10.0) -> list[str]:
    """The addresses that the server gives for files of these names."""
    message = BackMsg()
    message.file_urls_request.request_id = "u"
    message.file_urls_request.file_names.extend(names)
    speaker.say(message)
    told = speaker.heard("file_urls_response", patience_s).of("file_urls_response")
    return [place.upload_url for answer in told for place in answer.file_urls]


def _put(site: Site, place: str, cookie: str, content: bytes, name: str = "f.csv", token: str | None = None) -> int:
    """Bring in what a browser's page would, with its token."""
    token = page_token(site.at) if token is None else token
    start = f'--b\r\nContent-Disposition: form-data; name={json.dumps(name)}; filename="{name}"\r\n'
    body = f"{start}Content-Type: text/csv\r\n\r\n".encode() + content + b"\r\n--b--\r\n"
    told = [f"Cookie: {cookie}; _streamlit_xsrf={token}", f"X-Xsrftoken: {token}", f"Content-Length: {len(body)}"]
    kind = "Content-Type: multipart/form-data; boundary=b"
    return raw(site.port, f"PUT {place} HTTP/1.1", *told, kind, body=body)[0]


def test_a_planner_brings_a_sheet_in_for_a_page_of_his_own(site: Site) -> None:
    cookie, other = site.cookie("one-planner", sub="sheet-planner"), site.cookie("one-admin", age_s=400.0)
    with Speaker(site.at, cookie) as speaker:
        speaker.rerun()
        (place,) = _places(speaker, "findings.csv")
        assert _put(site, place, cookie, _SHEET) == 204
        assert _put(site, place, cookie, _SHEET, token="") == 403, "another site's page could send it, without a token"
        assert _put(site, place, other, _SHEET) == 403, "who may bring in does so for pages of his own"
        assert _put(site, _SLOT, cookie, _SHEET) == 403, "no page of his is open there"
        for who, status in ((other, 403), (cookie, 204)):
            token = page_token(site.at)
            told = {"Cookie": f"{who}; _streamlit_xsrf={token}", "X_Xsrftoken": token}
            assert asked(site.at, place, method="DELETE", **told)[0] == status
    assert asked(site.at, place, Cookie=cookie)[0] == 405, "what was brought in is not given out"


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("book.xlsx", b"PK\x03\x04\x14\x00\x06\x00"),
        ("book.csv", b"PK\x03\x04\x14\x00\x06\x00"),
        ("sheet.csv.exe", _SHEET),
        ("page.html", b"<script>alert(1)</script>"),
        ("sheet.csv", b"\x7fELF\x02\x01\x01\x00"),
        ("picture.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR"),
        ("../../sheet.csv", _SHEET),
        ("a\u202evsc.exe", _SHEET),
        ("", _SHEET),
    ],
)
def test_what_is_no_sheet_is_refused(site: Site, name: str, content: bytes) -> None:
    cookie = site.cookie("one-planner", sub="odd-planner")
    with Speaker(site.at, cookie) as speaker:
        speaker.rerun()
        (place,) = _places(speaker, "findings.csv")
        assert _put(site, place, cookie, content, name) == 415
        assert NO_SHEET not in site.log.read_text(encoding="utf-8")
        assert len(_places(speaker, name)) == 1, "a page that is told no place would go on with the sheet before"


@pytest.mark.parametrize(
    "name", ["a\u00a0b.csv", "a\u202fb.csv", "a\u00adb.csv", "a\u200db.csv", "a\\b.csv", "A ü.CSV"]
)
def test_sheets_are_named_as_people_name_them(site: Site, name: str) -> None:
    """Spaces that do not break stand in names that machines write: times of day, for one."""
    cookie = site.cookie("one-planner", sub="naming-planner")
    with Speaker(site.at, cookie) as speaker:
        speaker.rerun()
        (place,) = _places(speaker, name)
        assert _put(site, place, cookie, _SHEET, name) == 204


def test_a_planner_brings_in_a_sheet_and_goes_on_all_day(site: Site) -> None:
    """Large ones, in one open page: each takes the place of the one before, which is kept no longer."""
    cookie = site.cookie("one-planner", sub="daily-planner")
    wide = _SHEET + b"x," * ((LARGEST_UPLOAD - 300_000) // 2)
    with Speaker(site.at, cookie) as speaker:
        for number in range(MOST_KEPT + 4):
            speaker.rerun("inspections")
            (place,) = _places(speaker, f"sheet-{number}.csv")
            assert _put(site, place, cookie, wide) == 204, number
            speaker.rerun("event")


def test_few_sheets_wait_to_be_taken_in_over_all_pages_of_a_person(site: Site) -> None:
    cookie = site.cookie("one-planner", sub="busy-planner")
    with ExitStack() as open_pages:
        places = []
        for _ in range(MOST_KEPT + 1):
            speaker = open_pages.enter_context(Speaker(site.at, cookie))
            speaker.rerun()
            places.append(_places(speaker, "a.csv")[0])
        given = [_put(site, place, cookie, _SHEET) for place in places]
        assert given == [204] * MOST_KEPT + [413], given
        assert _put(site, places[0], cookie, _SHEET) == 204, "a page that has one may have another instead"
        told = {"Cookie": f"{cookie}; _streamlit_xsrf={(token := page_token(site.at))}", "X_Xsrftoken": token}
        assert asked(site.at, places[0], method="DELETE", **told)[0] == 204
        assert _put(site, places[-1], cookie, _SHEET) == 204, "one was taken away"
        for place in places[1:]:
            asked(site.at, place, method="DELETE", **told)
        wide = _SHEET + b"x," * ((LARGEST_UPLOAD - 300_000) // 2)
        sizes = [_put(site, place, cookie, wide) for place in places]
        assert sizes[:3] == [204] * 3 and sizes[-1] in (413, 599), "few large ones (599: no answer read)"
        for place in places:
            asked(site.at, place, method="DELETE", **told)


def test_a_sheet_that_comes_to_no_end_is_kept_by_nobody(site: Site) -> None:
    """Half of it, and then the browser is gone: the server says nothing of it and goes on."""
    cookie = site.cookie("one-planner", sub="gone-planner")
    with Speaker(site.at, cookie) as speaker:
        speaker.rerun()
        (place,) = _places(speaker, "f.csv")
        token = page_token(site.at)
        raw(
            site.port, f"PUT {place} HTTP/1.1", f"Cookie: {cookie}; _streamlit_xsrf={token}", f"X-Xsrftoken: {token}",
            "Content-Type: multipart/form-data; boundary=b", "Content-Length: 100000", patience_s=0.3,
            body=b'--b\r\nContent-Disposition: form-data; name="f"; filename="f.csv"\r\n\r\na,b',
        )  # fmt: skip
        assert _put(site, place, cookie, _SHEET) == 204


def test_all_that_left_nothing_secret_behind(site: Site) -> None:
    nothing_secret_in_the_log(site)
