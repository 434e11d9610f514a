"""The server itself: on this machine only, let in by the printed address, closed when left alone."""

from __future__ import annotations

import http.client
import re
import threading

import pytest

from crossproof.desk.serve import serve_desk
from crossproof.desk.sockets import LOOPBACK, listening
from crossproof.errors import UsageError


class Talk:
    """A served desk in a thread, and what it said."""

    def __init__(self, root, idle_minutes):
        self.said: list[str] = []
        self.heard = threading.Event()
        self.thread = threading.Thread(
            target=serve_desk,
            args=(root,),
            kwargs={"idle_minutes": idle_minutes, "browser": False, "say": self.say},
        )
        self.thread.start()
        assert self.heard.wait(20)
        match = re.search(r"http://127\.0\.0\.1:(\d+)(/open/\S+)", "\n".join(self.said))
        self.port, self.opening = int(match[1]), match[2]

    def say(self, text):
        self.said.append(text)
        if "/open/" in text:
            self.heard.set()

    def ask(self, method, path, cookie="", body=None):
        connection = http.client.HTTPConnection(LOOPBACK, self.port, timeout=20)
        headers = {"cookie": cookie} if cookie else {}
        if body is not None:
            headers |= {
                "origin": f"http://{LOOPBACK}:{self.port}",
                "content-type": "application/x-www-form-urlencoded",
            }
        connection.request(method, path, body, headers)
        answer = connection.getresponse()
        text = answer.read().decode()
        connection.close()
        return answer, text


def test_a_desk_is_opened_by_its_address_and_closes_when_left_alone(tmp_path):
    talk = Talk(tmp_path, idle_minutes=0.05)
    answer, _ = talk.ask("GET", "/")
    assert answer.status == 401
    assert answer.headers["server"] is None
    answer, _ = talk.ask("GET", talk.opening)
    cookie = answer.headers["set-cookie"].partition(";")[0]
    answer, text = talk.ask("GET", "/", cookie)
    assert answer.status == 200
    assert "There is no season in" in text
    talk.thread.join(20)
    assert not talk.thread.is_alive()
    assert "Nobody has used the desk for a while" in talk.said[-1]


def test_the_button_closes_the_desk(tmp_path):
    talk = Talk(tmp_path, idle_minutes=60)
    answer, _ = talk.ask("GET", talk.opening)
    cookie = answer.headers["set-cookie"].partition(";")[0]
    _, text = talk.ask("GET", "/", cookie)
    key = re.search(r'name="form_key" value="(\w+)"', text)[1]
    answer, text = talk.ask("POST", "/close", cookie, f"form_key={key}")
    assert "The desk is closed" in text
    talk.thread.join(20)
    assert not talk.thread.is_alive()


def test_the_desk_listens_on_this_machine_only():
    with listening(LOOPBACK, 0) as sock:
        assert sock.getsockname()[0] == "127.0.0.1"


def test_a_port_that_is_taken_is_refused_in_words():
    with listening(LOOPBACK, 0) as sock, pytest.raises(UsageError, match="The port cannot be used"):
        listening(LOOPBACK, sock.getsockname()[1])


def test_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(UsageError, match="There is no folder of this name"):
        serve_desk(tmp_path / "none", browser=False)
