"""Measures in the browser how long an event takes from disk to pixel, and what many clients cost.

usage: latency.py STAGE [--events N] [--clients N] [--seconds S]

For each event the stage tells the wall time at which its record was on disk. The page notes the wall time, on the same
machine, of the second animation frame after the event stands in it: its pixels have been handed over by then. With
--clients so many more streams are held open, and read, all the while; the events are spread over the seconds.
Prints Markdown rows.
"""

import argparse
import pathlib
import socket
import sys
import tempfile
import threading
import time

from browser import Stage, browser, until

sys.path.append(str(pathlib.Path(__file__).resolve().parents[1] / "measure"))
from measure import percentile  # noqa: E402

LATE_MS = 150

WATCH = """
    window.shown = {};
    const look = () => {
        const fresh = [...document.querySelectorAll('#events li')].map(li => li.dataset.seq).filter(seq => !(seq in shown));
        for (const seq of fresh) {
            shown[seq] = null;
            requestAnimationFrame(() => requestAnimationFrame(() => {
                shown[seq] = performance.timeOrigin + performance.now();
            }));
        }
    };
    look();
    new MutationObserver(look).observe(document.querySelector('#events'), {childList: true});
"""


class Crowd:
    """Clients that read whatever comes, on one thread."""

    def __init__(self, stage, count):
        self.sockets = []
        head = f"host: 127.0.0.1:{stage.port}\r\nauthorization: Bearer {stage.wall.split('#')[1]}"
        for _ in range(count):
            client = socket.create_connection(("127.0.0.1", stage.port))
            client.sendall(f"GET /events HTTP/1.1\r\n{head}\r\n\r\n".encode())
            client.setblocking(False)
            self.sockets.append(client)
        self.count, self.received, self.over = count, [0] * count, False
        self.thread = threading.Thread(target=self.read)
        self.thread.start()

    def read(self):
        while not self.over:
            for number, client in enumerate(self.sockets):
                try:
                    self.received[number] += len(client.recv(1 << 16))
                except BlockingIOError:
                    pass
            time.sleep(0.1)

    def stop(self):
        self.over = True
        self.thread.join()
        for client in self.sockets:
            client.close()
        return sum(count > 0 for count in self.received)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("stage", type=pathlib.Path)
    parser.add_argument("--events", type=int, default=100)
    parser.add_argument("--clients", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=20.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        stage = Stage(args.stage.resolve(), folder)
        crowd = Crowd(stage, args.clients)
        driver = browser()
        try:
            driver.get(stage.wall)
            until(lambda: driver.execute_script("return document.body.dataset.link") == "on", 10)
            driver.execute_script(WATCH)
            on_disk = {}
            began = time.monotonic()
            for number in range(args.events):
                due = began + number * args.seconds / args.events
                time.sleep(max(0.0, due - time.monotonic()))
                told = stage.say(f"heart rate {['eighty', 'ninety', 'seventy'][number % 3]}")
                on_disk[str(told["seq"])] = told["on_disk_us"] / 1000
            time.sleep(1)
            shown = driver.execute_script("return window.shown")
        finally:
            driver.quit()
            served = crowd.stop()
            stage.stop()
    took = [shown[seq] - at for seq, at in on_disk.items() if shown.get(seq)]
    late = sum(ms > LATE_MS for ms in took) + len(on_disk) - len(took)
    crowd_row = f", {served} of {args.clients} other clients served for {args.seconds:.0f} s" if args.clients else ""
    print(
        f"| event on disk to pixel{crowd_row} | median {percentile(took, 0.5):.0f} ms, 95 % ≤ {percentile(took, 0.95):.0f} ms, "
        f"most {max(took):.0f} ms; later than {LATE_MS} ms or never: {late} of {len(on_disk)} |"
    )


if __name__ == "__main__":
    main()
