"""The service's own description, and what it does with whatever is sent to it."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from fastapi.testclient import TestClient

from soaktest.bench import begin_run, end_run
from soaktest.errors import InputError
from soaktest.journal import open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header
from soaktest.records import clean_photo
from soaktest.web.app import create_app


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """The application with one short run, logged in."""
    journal = open_journal(f"sqlite:///{tmp_path_factory.mktemp('web') / 'j.sqlite'}")
    header = Header(bench="b1", unit="A-0417", began=1_764_000_000.0)
    run = begin_run(journal, header, read_plan("repair-check"), read_layout("front-loader"))
    end_run(journal, run.id, 1_764_000_060.0)
    with TestClient(
        create_app(journal, lambda _topic, _payload: None, lambda typed: typed == "pw")
    ) as inside:
        assert inside.post("/door", data={"password": "pw"}, follow_redirects=False).status_code == 303
        yield inside
    journal.close()


def test_the_description_names_every_open_path(client: TestClient) -> None:
    """OpenAPI lists the interface that programs use, each path with a summary."""
    paths = client.get("/openapi.json").json()["paths"]

    assert {"/api/benches", "/api/runs/{number}/findings", "/api/runs/{number}/window"} <= set(paths)
    assert all(operation["summary"] for methods in paths.values() for operation in methods.values())


def test_whatever_is_sent_the_service_answers_without_failing(client: TestClient) -> None:
    """Sixty generated requests a path: no server error, and answers that the description allows or plain refusals."""
    schema = schemathesis.openapi.from_dict(client.get("/openapi.json").json())
    sent = 0
    for result in schema.get_all_operations():
        operation = result.ok()
        import hypothesis

        @hypothesis.settings(
            max_examples=25,
            deadline=None,
            database=None,
            derandomize=True,
            suppress_health_check=list(hypothesis.HealthCheck),
        )
        @hypothesis.given(case=operation.as_strategy())
        def ask(case: schemathesis.Case) -> None:
            nonlocal sent
            sent += 1
            answer = client.request(
                case.method,
                case.formatted_path,
                params=case.query or None,
                headers={"x-token": "none"},
                content=b"{}" if case.method == "POST" else None,
            )
            assert answer.status_code < 500

        ask()

    assert sent > 50


def test_a_body_too_large_is_refused_before_it_is_read(client: TestClient) -> None:
    """The limit is stated and kept, and is the one that the photo itself is held to: JSON for a program, a page for a browser."""
    large = {"content-length": str(14_000_000)}
    answer = client.post("/runs/1/notes", content=b"x", headers=large)
    shown = client.post("/runs/1/notes", content=b"x", headers=large | {"accept": "text/html"})

    assert (answer.status_code, shown.status_code) == (413, 413)
    assert answer.json()["detail"] == "That is too large: a photo may have 12 MB. Make it smaller."
    assert shown.headers["content-type"].startswith("text/html")
    assert "a photo may have 12 MB" in shown.text
    assert "x-content-type-options" in shown.headers
    with pytest.raises(InputError, match=r"the photo has 12\.1 MB; 12 MB at the most"):
        clean_photo(b"x" * 12_100_000)


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/runs/99", 404),
        ("/units/none", 404),
        ("/story/none", 404),
        ("/notes/99/photo", 404),
        ("/no-such-page", 404),
        ("/api/runs/1/window?start=5&end=4", 422),
        ("/benches/NO", 422),
        ("/compare?a=99999999999999999999&b=2", 422),
        ("/units?sort=colour", 422),
        ("/learned?layout=../x", 422),
        ("/learned?hour=nan", 422),
        ("/certificates/1/page", 404),
        ("/certificates/1/napkin", 422),
    ],
)
def test_what_is_not_there_is_said_plainly(client: TestClient, path: str, status: int) -> None:
    """No trace of the program's inside; JSON for a program, a page in words for a browser."""
    answer, shown = client.get(path), client.get(path, headers={"accept": "text/html"})

    assert answer.status_code == shown.status_code == status
    assert answer.json()["detail"]
    assert "Traceback" not in answer.text
    assert "<h1>That did not work</h1>" in shown.text
    assert '"loc"' not in shown.text


@pytest.mark.parametrize(
    ("path", "said", "way"),
    [
        ("/nonsense", "There is no such page.", '<a class="button" href="/">Benches</a>'),
        ("/benches/NO", "There is no such page.", '<a class="button" href="/">Benches</a>'),
        ("/compare?a=2", "Two runs are compared. Open one, and choose there", 'href="/runs">Runs</a>'),
        ("/runs/99", "There is no run 99 in the journal.<", 'href="/runs">Runs</a>'),
        ("/units/none", "There is no unit &#39;none&#39;. Take it in.<", 'href="/units">Units</a>'),
        ("/certificates/9/page", "There is no certificate 9.<", 'href="/certificates">Certificates</a>'),
    ],
)
def test_a_browser_is_given_links_in_place_of_commands(
    client: TestClient, path: str, said: str, way: str
) -> None:
    """What a program is told by a command, a person does by a link."""
    shown = client.get(path, headers={"accept": "text/html"})
    assert "text/html" in shown.headers["content-type"]
    assert said in shown.text
    assert way in shown.text
    assert "soaktest " not in shown.text.split("<main")[1].split("</main")[0]


def test_what_somebody_typed_leads_nowhere(client: TestClient) -> None:
    """Status and links come from what kind of error it is: a tag that reads like a command sends nobody to another page."""
    shown = client.get("/units/See: soaktest judge 1", headers={"accept": "text/html"})
    assert shown.status_code == 404
    assert "&#39;See: soaktest judge 1&#39;" in shown.text
    assert 'href="/runs/1"' not in shown.text
    assert 'href="/units">Units</a>' in shown.text


def test_a_bench_that_nobody_has_heard_says_so(client: TestClient) -> None:
    """Its page names those that were heard; the door shows no way that is shut."""
    shown = client.get("/benches/zzz").text
    assert "Nothing heard of a bench zzz" in shown
    assert '<a href="/benches/b1">b1</a>' in shown
    assert "<nav" not in client.get("/door").text
    assert [w for w in ("Units", "Learned") if f">{w}</a>" not in shown] == []
    for path, title in (("/units", "Units"), ("/learned", "Learned")):
        page = client.get(path).text
        assert f"<h1>{title}</h1>" in page
        assert f"<title>{title}</title>" in page


def test_a_photo_loses_what_the_camera_wrote() -> None:
    """Place and device are gone; the picture is upright and no larger than needed."""
    import io

    from PIL import Image

    from soaktest.records import LARGEST_SIDE, clean_photo

    exif = Image.Exif()
    exif[0x010F] = "some maker"
    out = io.BytesIO()
    Image.new("RGB", (3000, 2000)).save(out, "JPEG", exif=exif)
    with Image.open(io.BytesIO(clean_photo(out.getvalue()))) as kept:
        assert max(kept.size) == LARGEST_SIDE
        assert not kept.getexif()


def test_a_small_file_that_unpacks_to_a_huge_picture_is_refused() -> None:
    """By its head, before it takes the memory."""
    import io

    from PIL import Image

    from soaktest.records import clean_photo

    out = io.BytesIO()
    Image.new("1", (13_000, 13_000)).save(out, "PNG")
    assert len(out.getvalue()) < 100_000
    with pytest.raises(InputError, match="13000 x 13000 pixels"):
        clean_photo(out.getvalue())


def test_odd_tokens_senders_and_readings_are_refused_plainly(client: TestClient) -> None:
    """A token of other letters, a page of another host to go back to, a reading that is none, an endless number."""
    token = client.get("/units").text.split('name="token" content="')[1].split('"')[0]
    assert (
        client.post(
            "/api/runs/1/acknowledge", headers={"x-token": "d\u00e9j\u00e0".encode("latin-1")}
        ).status_code
        == 403
    )
    back = client.post(
        "/runs/1/notes",
        data={"token": token, "text": "drip"},
        headers={"referer": "http://elsewhere.example/x"},
        follow_redirects=False,
    )
    assert back.headers["location"] == "/runs/1"
    pads = {zone: {"dry": "nan", "touched": 3, "after": 1} for zone in ("left", "centre", "right")}
    assert (
        "no conductance"
        in client.post("/api/benches/b1/pad-check", json=pads, headers={"x-token": token}).json()["detail"]
    )
    client.post("/units", data={"token": token, "tag": "D-1"})
    story = {"token": token, "what": "note", "corrects": "1e999"}
    assert client.post("/units/D-1/story", data=story).status_code == 422
    for tag in ("a\u0000b", "x\u001b[31m", "n" * 65, "two\nlines"):
        assert client.post("/units", data={"token": token, "tag": tag}).status_code == 422


def test_a_photo_that_is_none_is_refused(client: TestClient, tmp_path: Path) -> None:
    """Something else under a picture's name."""
    from soaktest.records import clean_photo

    with pytest.raises(InputError, match="no JPEG or PNG"):
        clean_photo(b"%PDF-1.7 not a picture")
    with pytest.raises(InputError, match=r"has 12\.2 MB; 12 MB at the most"):
        clean_photo(bytes(12_200_000))


def test_the_page_offers_what_ships_and_says_how_another_plan_is_used(client: TestClient) -> None:
    """Every plan and layout that the commands list; a path is no name."""
    from soaktest.toml_values import shipped_names

    page = client.get("/benches/b4").text
    for name in (*shipped_names("plans"), *shipped_names("layouts")):
        assert f">{name}</option>" in page
    assert "soaktest run begin b4 --plan FILE" in page
    token = page.split('name="token" content="')[1].split('"')[0]
    form = {"token": token, "plan": "/etc/own.toml", "layout": "front-loader", "override": "dry run"}
    refused = client.post("/benches/b4/begin", data=form)
    assert refused.status_code == 422
    assert "no plan named '/etc/own.toml' ships" in refused.json()["detail"]


def test_a_run_begun_twice_is_refused_in_words(client: TestClient) -> None:
    """Two people at once on one bench: the second is told which run is under way, and nothing is lost."""
    token = client.get("/units").text.split('name="token" content="')[1].split('"')[0]
    form = {"token": token, "plan": "resale", "layout": "front-loader", "unit": "<b>A</b>", "override": "new"}
    first = client.post("/benches/b3/begin", data=form, follow_redirects=False)
    second = client.post(
        "/benches/b3/begin", data=form, headers={"accept": "text/html"}, follow_redirects=False
    )

    assert first.status_code == 303
    assert second.status_code == 409
    assert "is under way. End it first" in second.text
    assert "&lt;b&gt;A&lt;/b&gt;" in client.get("/units").text


def test_no_run_is_begun_by_a_slip_in_the_benchs_name(client: TestClient, tmp_path: Path) -> None:
    """Nobody has ever heard it: said with those that were heard, on the page as at the command line, and refused."""
    said = "Bench b9 has never been heard, nor has any other"
    page = client.get("/benches/b9").text
    token = page.split('name="token" content="')[1].split('"')[0]
    form = {"token": token, "plan": "resale", "layout": "front-loader"}
    refused = client.post("/benches/b9/begin", data=form)

    assert said.lower() in page.lower()
    assert refused.status_code == 422
    assert said in refused.json()["detail"]


def test_a_reason_longer_than_a_certificate_holds_is_refused_at_both_entrances(
    client: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the page and at the command line, before the run is begun; 200 characters are taken."""
    from typer.testing import CliRunner

    from soaktest.cli.app import app

    token = client.get("/units").text.split('name="token" content="')[1].split('"')[0]
    form = {"token": token, "plan": "resale", "layout": "front-loader"}
    refused = client.post("/benches/b8/begin", data=form | {"override": "x" * 201}, follow_redirects=False)
    assert (refused.status_code, refused.json()["detail"]) == (
        422,
        "reason: has 201 characters; 200 at the most.",
    )
    taken = client.post("/benches/b8/begin", data=form | {"override": "x" * 200}, follow_redirects=False)
    assert taken.status_code == 303

    monkeypatch.setenv("SOAKTEST_DATA", str(tmp_path))
    begun = CliRunner().invoke(app, ["run", "begin", "b1", "--override", "x" * 201])
    assert isinstance(begun.exception, InputError)
    assert "reason: has 201 characters" in str(begun.exception)


def test_events_come_twice_a_second_at_the_most_and_seldom_from_an_idle_bench(tmp_path: Path) -> None:
    """A bench that has said nothing for a minute: one event at once, one for its age, one to say that the page lives."""
    import asyncio
    import time
    from types import SimpleNamespace

    from soaktest.recording import Message
    from soaktest.watch import Watch
    from soaktest.web.benches import events

    journal = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    journal.keep([Message(time.time() - 62.0, "soaktest/b1/pads/about", b'{"contract":1,"kind":"pads"}')])

    async def heard(watch: Watch, seconds: float) -> list[float]:
        begin, at = time.monotonic(), []

        async def gone() -> bool:
            return time.monotonic() - begin > seconds

        asking = SimpleNamespace(
            app=SimpleNamespace(state=SimpleNamespace(watch=watch)), is_disconnected=gone
        )
        async for _ in (await events(asking)).body_iterator:  # type: ignore[arg-type]
            at.append(time.monotonic() - begin)
        return at

    with Watch(journal, lambda _topic, _payload: None) as watch:
        idle = asyncio.run(heard(watch, 6.0))
        assert watch.snapshot()["b1"]["age_s"] in (60, 70)
        changing = asyncio.run(heard(_ever_new(watch), 3.0))
    assert 2 <= len(idle) <= 3
    assert 4 <= len(changing) <= 6
    journal.close()


def _ever_new(watch: Any) -> Any:
    """A watch that says something else each time it is asked."""
    from itertools import count
    from types import SimpleNamespace

    numbers = count()
    return SimpleNamespace(snapshot=lambda: watch.snapshot() | {"n": next(numbers)})


def test_a_story_is_written_and_corrected_on_the_page(client: TestClient) -> None:
    """Taken in, repaired, corrected: the old entry stays, struck through; a bad number is said plainly."""
    token = client.get("/units").text.split('name="token" content="')[1].split('"')[0]
    assert (
        client.post(
            "/units", data={"token": token, "tag": "C 7/1", "kind": "front-loader"}, follow_redirects=False
        ).status_code
        == 303
    )
    where = "/units/" + "C 7%2F1"
    told = client.post(
        f"{where}/story",
        data={"token": token, "what": "repair", "text": "new hose", "minutes": "12,5"},
        follow_redirects=False,
    )
    assert told.status_code == 303
    page = client.get(where).text
    assert "new hose" in page
    assert "12.5" in page
    number = page.split("new hose")[0].rsplit("<tr", 1)[1].split('data-head="Entry">')[1].split("<")[0]
    client.post(
        f"{where}/story",
        data={"token": token, "what": "repair", "text": "old hose, new clip", "corrects": number},
    )
    assert 'class="corrected"' in client.get(where).text
    bad = client.post(
        f"{where}/story",
        data={"token": token, "what": "repair", "cost": "ten"},
        headers={"accept": "text/html"},
    )
    assert bad.status_code == 422
    assert "is no number" in bad.text
    assert client.post(f"{where}/story", data={"what": "repair"}).status_code == 403


def test_the_password_is_kept_as_a_hash_and_needed_beyond_this_machine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Argon2 in a file of its owner's; without one the page refuses to listen elsewhere."""
    from typer.testing import CliRunner

    from soaktest.cli.app import app
    from soaktest.password import password_check, set_password

    monkeypatch.setenv("SOAKTEST_DATA", str(tmp_path))
    monkeypatch.delenv("SOAKTEST_PASSWORD", raising=False)
    refused = CliRunner().invoke(app, ["serve", "--host", "0.0.0.0"])
    assert isinstance(refused.exception, InputError)
    assert "set a password first" in str(refused.exception)
    with pytest.raises(InputError, match="at least 8"):
        set_password(tmp_path, "short")
    where = set_password(tmp_path, "drip at the weight")
    assert where.read_text().startswith("$argon2id$")
    assert where.stat().st_mode & 0o077 == 0
    opens = password_check(tmp_path, None)
    assert opens is not None
    assert opens("drip at the weight")
    assert not opens("guess")


def test_the_door_leads_on_to_the_page_that_was_asked_for(client: TestClient) -> None:
    """And never to another host's."""
    outside = TestClient(client.app)
    asked = outside.get("/units", headers={"accept": "text/html"}, follow_redirects=False)
    assert asked.headers["location"] == "/door?next=/units"
    assert 'value="/units"' in outside.get("/door?next=/units").text
    for target, reached in (("/units", "/units"), ("//evil.example", "/"), ("https://evil.example", "/")):
        got = outside.post("/door", data={"password": "pw", "next": target}, follow_redirects=False)
        assert got.headers["location"] == reached
