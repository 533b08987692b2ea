"""Headers, hosts, origins, sizes; nothing from elsewhere."""

import re

import pytest


@pytest.fixture
def client(page):
    return page.server.test_client()


def test_every_answer_has_its_headers(client):
    for path in ("/", "/motion", "/_dash-layout", "/assets/page.css", "/file/x/y"):
        with client.get(path, headers={"Host": "localhost"}) as answer:
            head = answer.headers
        policy = head["Content-Security-Policy"]
        assert "unsafe-eval" not in policy
        script = re.search(r"script-src ([^;]*)", policy).group(1)
        assert "unsafe-inline" not in script and "http" not in script and "*" not in script
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert head["X-Content-Type-Options"] == "nosniff"
        assert head["X-Frame-Options"] == "DENY"
        assert head["Referrer-Policy"] == "no-referrer"


def test_inline_scripts_are_those_of_the_policy(client):
    import base64
    import hashlib

    answer = client.get("/", headers={"Host": "localhost"})
    text = answer.get_data(as_text=True)
    inline = re.findall(r"<script(?![^>]*src=)(?![^>]*json)[^>]*>(.*?)</script>", text, re.S)
    assert inline
    for script in inline:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in answer.headers["Content-Security-Policy"]
    assert not re.search(r"""(src|href)=["'](https?:)?//""", text)  # nothing from elsewhere


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost", 200),
        ("127.0.0.1:8050", 200),
        ("[::1]:8050", 200),
        ("192.168.1.5", 200),
        ("evil.example", 421),
        ("", 421),
    ],
)
def test_only_known_names_are_answered(client, host, status):
    assert client.get("/", headers={"Host": host}).status_code == status


@pytest.mark.parametrize(
    ("origin", "status"), [("http://localhost", 200), ("http://evil.example", 403), ("null", 403)]
)
def test_only_the_page_itself_may_ask(client, origin, status):
    headers = {"Host": "localhost", "Origin": origin}
    assert client.get("/_dash-dependencies", headers=headers).status_code == status


def test_an_upload_has_a_limit(client):
    answer = client.post(
        "/_dash-update-component",
        data=b"x" * (6 * 2**20),
        headers={"Host": "localhost"},
        content_type="application/json",
    )
    assert answer.status_code == 413


def test_no_debugging(page):
    assert page.server.debug is False
    assert page._dev_tools.ui in (None, False)


@pytest.mark.parametrize(
    "path",
    [
        "/file/../../etc/passwd",
        "/file/x/robot.toml",
        "/file/" + "a" * 22 + "/report.html",
        "/assets/../app.py",
    ],
)
def test_no_file_without_its_key(client, path):
    answer = client.get(path, headers={"Host": "localhost"})
    assert answer.status_code == 404 or b"react-entry-point" in answer.data


def test_what_another_address_means_is_said(capsys, monkeypatch, tmp_path):
    import waitress

    from dashboard import serve

    class Stopped:
        def __init__(self, sockets):
            self.sockets = sockets

        def run(self):
            return

        def close(self):
            for sock in self.sockets:
                sock.close()

    monkeypatch.setattr(waitress, "create_server", lambda *a, **k: Stopped(k["sockets"]))
    serve.serve(str(tmp_path), "0.0.0.0", 0)
    told = capsys.readouterr().out
    assert "everyone who reaches this machine" in told and "no password" in told
    serve.serve(None, "127.0.0.1", 0)
    assert "everyone" not in capsys.readouterr().out
