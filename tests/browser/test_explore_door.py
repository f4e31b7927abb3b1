"""The live bench's door: who may ask it, from where, and how it ends."""

import socket

import pytest

pytestmark = pytest.mark.slow

PATIENCE_S = 60.0  # far above what anything here takes; a test that would hang ends


@pytest.mark.parametrize(
    "host", ["example.com", "example.com:{port}", "127.0.0.1:1", "127.0.0.1.example.com:{port}"]
)
def test_another_host_is_refused(server, host):
    status, text = server.ask("/", Host=host.format(port=server.port))
    assert 400 <= status < 500
    assert "<html" not in text


def test_this_machines_own_names_are_answered(server):
    for host in ("127.0.0.1", "localhost"):
        status, text = server.ask("/", Host=f"{host}:{server.port}")
        assert status == 200
        assert "<html" in text


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "http://example.com"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"}],
)
def test_another_page_can_neither_read_nor_start_anything(server, headers):
    paths = (("/api/view", "GET"), ("/api/runs", "POST"), ("/api/illustration", "POST"))
    for path, method in paths:
        status, _ = server.ask(path, method, **headers)
        assert 400 <= status < 500


def test_no_other_address_of_this_machine_answers(server):
    # the whole of 127.0.0.0/8 is this machine on Linux: who listens everywhere answers there
    own = {entry[4][0] for entry in own_addresses()} - {"127.0.0.1"}
    for address in sorted(own | {"127.0.0.2"}):
        with pytest.raises(OSError):  # noqa: PT011  # refused, or no such address
            socket.create_connection((address, server.port), timeout=PATIENCE_S).close()


def own_addresses():
    try:
        return socket.getaddrinfo(socket.gethostname(), None, type=socket.SOCK_STREAM)
    except OSError:  # a machine that doesn't know its own name
        return []


def test_ctrl_c_ends_the_server_and_the_page_says_that_it_is_gone(start_server, visit):
    server = start_server()
    try:
        made = visit(server.url)
        page = made.page
        page.locator("#picture[data-state]").wait_for()
        assert server.interrupt() in (0, 130)
        assert "Traceback" not in server.log.read_text()
        with pytest.raises(ConnectionRefusedError):
            server.ask()
        page.locator("#range_m").fill("5")
        page.locator("#general-problem:not(:empty)").wait_for()
        assert "running" in page.locator("#general-problem").inner_text()
        # the browser's own line on an address where nobody listens
        assert all("ERR_CONNECTION_REFUSED" in line for line in made.console)
        made.console.clear()
    finally:
        server.end()
