"""Looks at the wall while the live program hears part of the drill, and tells what it sees.

usage: spectator.py LINK

Prints a line when it looks on; waits for a line once the drill has been played; prints a line for each thing seen.
"""

import sys

from browser import browser, text, until

# Titles of what is called out in the part that is played; the newest five stand on the wall when each comes.
EXPECTED = ["Heart rate", "Ventilation started", "Help called"]


def main():
    driver = browser()
    try:
        driver.get(sys.argv[1])
        until(lambda: driver.execute_script("return document.body.dataset.link") == "on", 10)
        # Everything that ever stood there, by the page's own account.
        driver.execute_script(
            """
            window.seen = {events: new Set(), words: new Set()};
            const look = () => {
                for (const what of document.querySelectorAll('#events .what')) seen.events.add(what.innerText);
                seen.words.add(document.querySelector('#so-far').innerText);
            };
            new MutationObserver(look).observe(document.body, {subtree: true, childList: true, characterData: true});
            """
        )
        print("looking", flush=True)
        sys.stdin.readline()
        seen = driver.execute_script("return [...seen.events]")
        missing = [title for title in EXPECTED if not any(title in line for line in seen)]
        words = [line for line in driver.execute_script("return [...seen.words]") if line]
        if missing or not words:
            print(f"missing: {missing}; seen: {seen}; words: {words}", flush=True)
            return 1
        if "Ventilation" not in text(driver, "#running"):
            print("ventilation does not run", flush=True)
            return 1
        print("the drill was seen", flush=True)
        until(lambda: "Microphone lost" in text(driver, "#signs"), 10)
        print("the microphone is lost", flush=True)
        until(lambda: "The recording has ended" in text(driver, "#signs"), 10)
        print("it has ended", flush=True)
    finally:
        driver.quit()
    return 0


if __name__ == "__main__":
    sys.exit(main())
