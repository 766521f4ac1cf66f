"""The board in a real browser. Run by tests/board.rs; by hand: `BOARD_STAGE=PATH python3 -m unittest`, in this folder."""

import http.server
import json
import os
import pathlib
import socket
import tempfile
import threading
import time
import unittest

from axe_core_python.base import AXE_FILE_PATH
from selenium.webdriver.common.keys import Keys

from browser import Stage, browser, element, keys, resize, resuscitation, text, texts, until

PROGRAM = pathlib.Path(os.environ.get("BOARD_STAGE", "target/debug/examples/board_stage")).resolve()
SIGNS = "#signs"
NO_TIME = "–:––"
# A tag that would run, and what it would leave behind.
ATTACK = '<img src=x onerror="window.hit=1"><script>window.hit=1</script>'


class OnStage(unittest.TestCase):
    """A browser for all, a stage for each."""

    @classmethod
    def setUpClass(cls):
        cls.driver = browser()

    @classmethod
    def tearDownClass(cls):
        cls.driver.quit()

    def setUp(self):
        self.folder = tempfile.TemporaryDirectory()
        self.stage = Stage(PROGRAM, self.folder.name)
        resize(self.driver, (1920, 1080))
        self.driver.get_log("browser")

    def tearDown(self):
        self.driver.get("about:blank")
        self.stage.stop()
        self.folder.cleanup()

    def open(self, link):
        self.driver.get(link)
        until(lambda: self.linked())

    def linked(self):
        return self.driver.execute_script("return document.body.dataset.link") == "on"

    def read(self, css):
        return text(self.driver, css)

    def sees(self, css, words, seconds=5.0):
        until(lambda: words in self.read(css), seconds)

    def newest(self):
        """The last record that the board brought about."""
        return [record for record in self.stage.records() if record.get("by") == "board"][-1]


class TheWall(OnStage):
    def test_what_is_called_out_is_shown(self):
        resuscitation(self.stage)
        self.open(self.stage.wall)
        self.sees("#since", "since birth")
        self.assertRegex(self.read("#clock"), r"^2:\d\d$")
        self.assertRegex(self.read("#running"), r"Ventilation\s*1:\d\d")
        self.assertIn("Compressions", self.read("#running"))
        events = texts(self.driver, "#events li")
        self.assertEqual(len(events), 5)
        self.assertIn("Heart rate 50 /min", events[0])
        self.assertIn("Heart rate 60 /min", events[1])
        marks = self.driver.execute_script(
            "return [...document.querySelectorAll('#events .mark')].map(e => [e.innerText, e.ariaLabel])"
        )
        self.assertEqual(marks[:3], [["✓", "accepted"], ["?", "doubtful"], ["✓", "accepted"]])
        values = self.read("#values")
        for expected in ["50", "62", "30", "SpO2", "Oxygen", " ago"]:
            self.assertIn(expected, values)
        # By the pack's table, at a little more than two minutes.
        self.assertRegex(self.read(".target"), r"target now\s*6\d–7\d %")
        self.assertIn("American Heart Association", self.read("#sources"))
        # What is doubtful is no value.
        self.assertNotIn("60", texts(self.driver, "#values .big")[0])

    def test_times_go_on_by_themselves(self):
        self.stage.say("baby is out")
        self.stage.tell(wait=61_000)
        self.open(self.stage.wall)
        first = self.read("#clock")
        time.sleep(1.2)
        self.assertNotEqual(first, self.read("#clock"))
        self.assertRegex(self.read("#clock"), r"^1:0\d$")

    def test_what_is_due_counts_down_and_then_up(self):
        self.stage.say("ventilation started")
        self.stage.tell(wait=12_000)
        self.open(self.stage.wall)
        self.sees("#due", "in 0:0")
        self.sees("#due", "now +0:0", seconds=6)
        self.sees("#due li.is-due", "Heart rate")

    def test_words_are_shown_while_they_are_said(self):
        self.open(self.stage.wall)
        self.stage.tell(so_far="heart rate")
        self.sees("#so-far", "heart rate …")
        self.stage.say("heart rate eighty")
        until(lambda: self.read("#so-far") == "")

    def test_a_lost_microphone_is_shown_and_goes_when_it_is_back(self):
        self.open(self.stage.wall)
        self.assertEqual(self.read(SIGNS), "")
        self.stage.tell(device="microphone", state="lost", text="it was unplugged")
        self.sees(SIGNS, "Microphone lost", seconds=1)
        self.sees(SIGNS, "it was unplugged")
        self.stage.tell(device="engine", state="failed")
        self.sees(SIGNS, "Engine failed", seconds=1)
        self.stage.tell(device="microphone", state="back")
        until(lambda: "Microphone" not in self.read(SIGNS), 1)

    def test_a_recorder_that_hangs_is_not_mistaken_for_a_quiet_one(self):
        self.stage.say("baby is out")
        self.open(self.stage.wall)
        frozen = threading.Thread(target=self.stage.tell, kwargs={"freeze": 4000})
        began = time.monotonic()
        frozen.start()
        self.sees(SIGNS, "Connection lost", seconds=3)
        self.assertLess(time.monotonic() - began, 2.0)
        self.assertEqual(self.read("#clock"), NO_TIME)
        self.assertNotRegex(self.read("main"), r"\d:\d\d ago")
        frozen.join()
        until(self.linked, 1)
        self.assertEqual(self.read(SIGNS), "")
        self.assertRegex(self.read("#clock"), r"^0:0\d$")

    def test_it_comes_back_within_a_second_after_a_restart(self):
        self.stage.say("baby is out")
        self.open(self.stage.wall)
        before, self.stage = self.stage, None
        before.stop()
        self.stage = before
        self.sees(SIGNS, "Connection lost", seconds=2)
        self.assertEqual(self.read("#clock"), NO_TIME)
        time.sleep(1)
        self.stage = Stage(PROGRAM, self.folder.name, before.port)
        began = time.monotonic()
        until(self.linked, 3)
        self.assertLess(time.monotonic() - began, 1.0)
        # The log's state is that of the new recording.
        self.assertIn("since the start", self.read("#since"))
        self.assertEqual(texts(self.driver, "#events li"), [])

    def test_the_end_is_no_lost_connection(self):
        self.open(self.stage.wall)
        self.stage.tell(end="called out")
        self.sees(SIGNS, "The recording has ended", seconds=2)
        self.sees(SIGNS, "called out")
        time.sleep(2)
        self.assertNotIn("Connection lost", self.read(SIGNS))
        self.assertEqual(self.read("#clock"), NO_TIME)

    def test_everything_fits_a_wall_and_can_be_read_from_afar(self):
        resuscitation(self.stage)
        self.stage.tell(device="microphone", state="lost", text="the sound server has gone away, it seems")
        self.stage.tell(so_far="heart rate one hundred and")
        self.open(self.stage.wall)
        self.sees("#so-far", "hundred")
        for size in [(1920, 1080), (1280, 800), (1366, 768)]:
            resize(self.driver, size)
            out = self.driver.execute_script(
                """
                // Each text lies within its panel, and each panel within the page; what is too long ends in dots.
                const dots = '.what *, #due b *, #so-far *';
                const apart = (e, box) => {
                    const r = e.getBoundingClientRect();
                    return r.right > box.right + 1 || r.bottom > box.bottom + 1 || r.left < box.left - 1 || r.top < box.top - 1;
                };
                const page = {left: 0, top: 0, right: innerWidth, bottom: innerHeight};
                const texts = [...document.querySelectorAll('main *, #signs *')].filter(e => e.innerText?.trim());
                return texts.filter(e => !e.matches(dots) && !e.matches('.unseen'))
                    .filter(e => apart(e, page) || apart(e, (e.parentElement.closest('section, .value, #running li, .sign')
                        ?? document.body).getBoundingClientRect()))
                    .map(e => `${e.tagName} ${e.className} ${e.innerText}`);
                """
            )
            self.assertEqual(out, [], size)
        resize(self.driver, (1920, 1080))
        self.stage.tell(device="microphone", state="back")
        until(lambda: self.read(SIGNS) == "")
        # Pixels of a 1080p display; the sizes are our own choice for 4 m.
        for css, least in [("#clock", 280), ("#running .going", 60), (".value .big", 100), ("#events li", 44), ("#due b", 40)]:
            size = self.driver.execute_script(
                "return parseFloat(getComputedStyle(document.querySelector(arguments[0])).fontSize)", css
            )
            self.assertGreaterEqual(size, least, css)


class TheScribe(OnStage):
    def setUp(self):
        super().setUp()
        self.stage.say("baby is out")
        self.stage.say("heart rate sixty", confidence=0.9, rival=["heart rate seventy", 0.35])
        self.stage.say("oxygen thirty percent")
        self.stage.tell(wait=10_000)
        self.open(self.stage.scribe)
        until(lambda: len(texts(self.driver, "#list li")) == 3)

    def done(self, words):
        self.sees("#answer", words)

    def test_the_token_does_not_stay_in_the_address(self):
        self.assertNotIn("#", self.driver.current_url)

    def test_a_doubt_is_settled_by_keyboard_alone(self):
        self.assertEqual(self.read("#open"), "1 in doubt")
        keys(self.driver, "d")
        self.sees("#chosen", "Heart rate 60 /min")
        keys(self.driver, "o")
        self.done("settled as the other")
        until(lambda: self.read("#open") == "nothing in doubt")
        record = self.newest()
        self.assertEqual((record["kind"], record["by"], record["value"]), ("amend", "board", 70))
        keys(self.driver, "u")
        self.done("undone")
        until(lambda: self.read("#open") == "1 in doubt")
        keys(self.driver, "d", "h")
        self.done("settled as heard")
        self.assertEqual(self.newest()["kind"], "confirm")

    def test_an_event_is_withdrawn_and_the_choice_stays_in_place(self):
        keys(self.driver, Keys.ARROW_DOWN, Keys.ARROW_DOWN, Keys.ARROW_UP)
        self.sees("#chosen", "Heart rate 60 /min")
        # What is new must not move the choice.
        self.stage.say("heart rate eighty")
        until(lambda: len(texts(self.driver, "#list li")) == 4)
        keys(self.driver, "w")
        self.done("withdrawn")
        record = self.newest()
        self.assertEqual((record["kind"], record["by"], record["of"]), ("withdraw", "board", 2))
        until(lambda: len(texts(self.driver, "#list li")) == 3)
        self.sees("#chosen", "Birth")

    def test_a_value_is_amended_and_a_time_is_moved(self):
        self.sees("#chosen", "Oxygen 30 %")
        keys(self.driver, "a", "4", "0", Keys.ENTER)
        self.done("amended")
        self.sees("#list li", "Oxygen 40 %")
        keys(self.driver, "t", "-", "9", "9", Keys.ENTER)
        self.done("before the log was opened")
        keys(self.driver, "t", "5", Keys.ENTER)
        self.done("moved")
        record = self.newest()
        self.assertEqual((record["kind"], record["by"], record["value"]), ("amend", "board", 40))
        self.assertIn("moved_to_ms", record)
        keys(self.driver, "a", "9", Keys.ESCAPE)
        self.assertFalse(element(self.driver, "#amend").is_displayed())
        keys(self.driver, "c")
        self.done("confirmed")
        self.assertEqual(self.newest()["kind"], "confirm")
        keys(self.driver, "m")
        self.done("marked")
        self.assertEqual(self.newest()["kind"], "note")

    def test_an_act_whose_answer_is_lost_is_sent_again_and_done_once(self):
        # The first goes to the recorder and its answer does not come back; the second does not even get there.
        self.driver.execute_script(
            """
            const real = window.fetch;
            let sent = 0;
            window.fetch = async (path, init) => {
                if (path !== '/act') return real(path, init);
                sent += 1;
                if (sent !== 2) {
                    const answer = await real(path, init);
                    if (sent !== 1) return answer;
                }
                throw new TypeError('network error');
            };
            """
        )
        for _ in range(2):
            keys(self.driver, "m")
            self.done("marked")
            self.driver.execute_script("document.querySelector('#answer').textContent = ''")
        notes = [record for record in self.stage.records() if record.get("by") == "board"]
        self.assertEqual([record["kind"] for record in notes], ["note", "note"])

    def test_a_page_that_cannot_reach_the_recorder_says_so(self):
        self.driver.execute_script(
            "const real = window.fetch; window.sent = new Set();"
            "window.fetch = (path, init) => path === '/act'"
            "  ? (window.sent.add(init.headers['idempotency-key']), Promise.reject(new TypeError())) : real(path, init);"
        )
        keys(self.driver, "m")
        self.sees("#answer", "cannot be reached")
        self.assertEqual(self.driver.execute_script("return window.sent.size"), 1)

    def test_hundreds_of_strangers_do_not_keep_the_scribe_out(self):
        strangers = []
        for number in range(600):
            stranger = socket.create_connection(("127.0.0.1", self.stage.port))
            if number % 2:
                stranger.sendall(f"GET /events HTTP/1.1\r\nhost: 127.0.0.1:{self.stage.port}\r\n\r\n".encode())
            strangers.append(stranger)
        self.driver.get("about:blank")
        self.open(self.stage.scribe)
        self.sees("#list li", "Oxygen 30 %")
        keys(self.driver, "w")
        self.done("withdrawn")
        for stranger in strangers:
            stranger.close()

    def test_what_the_core_refuses_is_said(self):
        keys(self.driver, "o")
        self.sees("#answer", "not in doubt")
        keys(self.driver, "t", "9", "9", Keys.ENTER)
        self.sees("#answer", "later than now")
        self.assertNotIn("board", {record.get("by") for record in self.stage.records()})

    def test_buttons_do_the_same(self):
        element(self.driver, "[data-act=withdraw]").click()
        self.done("withdrawn")


class Attacks(OnStage):
    def test_words_and_names_are_never_markup(self):
        self.stage.say("heart rate eighty", shown=ATTACK)
        self.stage.say("heart rate sixty", confidence=0.9, rival=["heart rate seventy", 0.35], shown=ATTACK)
        self.stage.tell(device=ATTACK, state="lost", text=ATTACK)
        self.stage.tell(so_far=ATTACK)
        for link in (self.stage.wall, self.stage.scribe):
            self.open(link)
            self.sees("body", "<img src=x")
            self.sees(SIGNS, "onerror")
            self.assertIsNone(self.driver.execute_script("return window.hit ?? null"))
            self.assertEqual(self.driver.execute_script("return document.images.length"), 0)
        self.sees("#list", "<script>")

    def test_another_site_can_neither_act_nor_look_nor_frame(self):
        self.stage.say("heart rate eighty")
        token = self.stage.scribe.split("#")[1]
        before = len(self.stage.records())
        site = Site(b"<!DOCTYPE html><iframe></iframe>")
        board = self.stage.board
        script = """
            const [board, token, done] = arguments;
            const post = (init) => fetch(board + 'act', {method: 'POST', body: '{"act":"mark"}', ...init})
                .then(r => r.type === 'opaque' ? 'opaque' : r.status, () => 'failed');
            const see = (path, mode) => fetch(board + path, {mode})
                .then(r => r.text().then(t => t.length), () => 'failed');
            Promise.all([
                post({mode: 'no-cors', headers: {'content-type': 'text/plain'}}),
                post({headers: {'content-type': 'application/json', authorization: 'Bearer ' + token}}),
                post({mode: 'no-cors', credentials: 'include'}),
                see('events', 'cors'), see('events/list', 'no-cors'),
                import(board + 'link.js').then(() => 'loaded', () => 'failed'),
            ]).then(done);
        """
        # `localhost` is another origin than 127.0.0.1, yet the same site as the board would be there.
        for origin in (f"http://127.0.0.1:{site.port}/", f"http://localhost:{site.port}/"):
            self.driver.get(origin)
            told = self.driver.execute_async_script(script, board, token)
            self.assertNotIn(204, told, told)
            self.assertEqual(told[1], "failed")
            self.assertEqual([x for x in told[3:] if x not in ("failed", 0)], [], told)
            self.driver.execute_script("document.querySelector('iframe').src = arguments[0]", board)
            time.sleep(0.5)
            frame = element(self.driver, "iframe")
            self.driver.switch_to.frame(frame)
            self.assertEqual(self.driver.execute_script("return document.querySelectorAll('#clock').length"), 0)
            self.driver.switch_to.default_content()
        site.stop()
        self.assertEqual(len(self.stage.records()), before)

    def test_a_page_without_the_token_may_look_and_not_act(self):
        self.stage.say("heart rate eighty")
        before = len(self.stage.records())
        self.driver.execute_cdp_cmd("Network.clearBrowserCache", {})
        self.open(self.stage.board)
        self.driver.execute_script("sessionStorage.clear()")
        self.open(self.stage.board + "scribe")
        until(lambda: texts(self.driver, "#list li"))
        keys(self.driver, "w")
        self.sees("#answer", "may not act")
        self.assertEqual(len(self.stage.records()), before)

    def test_nothing_is_stored_that_another_site_could_ride(self):
        self.open(self.stage.scribe)
        self.assertEqual(self.driver.get_cookies(), [])

    def test_the_policy_is_kept_by_the_page_itself(self):
        resuscitation(self.stage)
        for link in (self.stage.wall, self.stage.scribe):
            self.open(link)
            until(lambda: texts(self.driver, "li"))
        told = [entry["message"] for entry in self.driver.get_log("browser")]
        self.assertEqual([line for line in told if "Content Security" in line or "TrustedHTML" in line], [])
        # And it holds against what would be put in.
        self.driver.execute_script(
            "const s = document.createElement('style'); s.textContent = 'body{display:none}'; document.head.append(s)"
        )
        self.assertNotEqual(self.driver.execute_script("return getComputedStyle(document.body).display"), "none")


class Site:
    """Another site, on a port of its own."""

    def __init__(self, page):
        class Handler(http.server.BaseHTTPRequestHandler):
            def do_GET(self):
                self.send_response(200)
                self.send_header("content-type", "text/html")
                self.end_headers()
                self.wfile.write(page)

            def log_message(self, *_):
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_port
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def stop(self):
        self.server.shutdown()
        self.server.server_close()


class Accessible(OnStage):
    def test_axe_finds_nothing_serious(self):
        resuscitation(self.stage)
        self.stage.tell(device="microphone", state="lost", text="it was unplugged")
        self.stage.tell(so_far="heart rate")
        axe = AXE_FILE_PATH.read_text(encoding="utf-8")
        for link in (self.stage.wall, self.stage.scribe):
            for theme in ("light", "dark"):
                self.open(link)
                self.sees(SIGNS, "Microphone")
                self.driver.execute_script("document.documentElement.dataset.theme = arguments[0]", theme)
                # By the browser's own debugger, which the page's policy does not bind.
                self.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
                found = self.driver.execute_async_script("axe.run().then(arguments[0])")
                self.assertGreater(len(found["passes"]), 15)
                serious = [
                    (rule["id"], rule["help"], [node["html"] for node in rule["nodes"]][:3])
                    for rule in found["violations"]
                    if rule["impact"] in ("serious", "critical")
                ]
                self.assertEqual(serious, [], f"{link} {theme}")
                self.assertEqual([rule["id"] for rule in found["violations"]], [], f"{link} {theme}")


if __name__ == "__main__":
    unittest.main()
