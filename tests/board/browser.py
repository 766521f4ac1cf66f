"""A stage with the real core, log and board, and a real browser before it: what the board's tests and tools share.

Needs the packages in requirements.txt beside this file, and Debian's chromium and chromium-driver. No page is fetched
from anywhere but this machine.
"""

import json
import pathlib
import shutil
import subprocess
import sys
import tempfile
import time

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By

ROOT = pathlib.Path(__file__).resolve().parents[2]
FLAGS = [
    "--headless=new",
    "--no-sandbox",  # as root, in CI, Chromium runs only so
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
]


def browser(size=(1920, 1080), dark=True):
    """A headless Chromium; the page is as large as `size`. Quit it when done."""
    paths = [shutil.which(name) for name in ("chromium", "chromedriver")]
    if None in paths:
        sys.exit("error: there is no Chromium to test with: apt-get install chromium chromium-driver")
    options = Options()
    options.binary_location = paths[0]
    for flag in FLAGS:
        options.add_argument(flag)
    options.add_argument(f"--window-size={size[0]},{size[1]}")
    options.add_argument(f"--blink-settings=preferredColorScheme={0 if dark else 1}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(paths[1]))
    resize(driver, size)
    return driver


def resize(driver, size):
    """Makes the page, not the window, this large."""
    metrics = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def until(what, seconds=5.0, every=0.02):
    """Waits for something that is true, and gives it."""
    end = time.monotonic() + seconds
    while True:
        found = what()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(f"waited {seconds} s in vain")
        time.sleep(every)


def text(driver, css):
    """What can be read in the page's first such element."""
    return driver.execute_script("return document.querySelector(arguments[0])?.innerText ?? ''", css)


def texts(driver, css):
    return driver.execute_script("return [...document.querySelectorAll(arguments[0])].map(e => e.innerText)", css)


def keys(driver, *pressed):
    for key in pressed:
        driver.switch_to.active_element.send_keys(key)


def element(driver, css):
    return driver.find_element(By.CSS_SELECTOR, css)


class Stage:
    """tests/board/stage.rs at work."""

    def __init__(self, program, folder=None, port=0):
        self.program = program
        self.folder = pathlib.Path(folder or tempfile.mkdtemp(prefix="earmark-board-"))
        self.log = self.folder / f"{time.monotonic_ns()}.earmark.jsonl"
        command = [str(program), f"127.0.0.1:{port}", str(self.log), str(self.folder / "secret")]
        self.child = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.links = self.answer()
        self.wall, self.scribe = self.links["wall"], self.links["scribe"]
        self.board = self.wall.split("#")[0]
        self.port = int(self.board.split(":")[2].strip("/"))

    def answer(self):
        line = self.child.stdout.readline()
        if not line:
            raise AssertionError("the stage has fallen down")
        return json.loads(line)

    def tell(self, **what):
        """One line of the play, carried out when this returns."""
        self.child.stdin.write(json.dumps(what) + "\n")
        self.child.stdin.flush()
        return self.answer() if "end" not in what else None

    def say(self, words, **more):
        return self.tell(say=words, **more)

    def records(self):
        return [json.loads(line) for line in self.log.read_text(encoding="utf-8").splitlines()]

    def stop(self):
        self.child.kill()
        self.child.wait()
        self.child.stdin.close()
        self.child.stdout.close()


def resuscitation(stage):
    """An invented newborn, two minutes old, with a doubt open."""
    for words, wait in [
        ("baby is out", 9000),
        ("dried and stimulated", 14000),
        ("baby not breathing", 6000),
        ("heart rate eighty", 4000),
        ("ventilation started", 12000),
        ("oxygen thirty percent", 6000),
        ("chest not moving", 5000),
        ("mask adjusted", 4000),
        ("head repositioned", 7000),
        ("chest is rising", 20000),
        ("saturation sixty two", 11000),
        ("compressions started", 16000),
    ]:
        stage.say(words)
        stage.tell(wait=wait)
    stage.say("heart rate sixty", confidence=0.9, rival=["heart rate seventy", 0.35])
    stage.tell(wait=3000)
    stage.say("heart rate fifty")
    stage.tell(wait=4000)
