"""Makes pictures of both views at three sizes, light and dark, of an invented resuscitation on a stage.

usage: pictures.py STAGE FOLDER
"""

import pathlib
import sys
import time

from browser import Stage, browser, resize, resuscitation, text, until

SIZES = {"wall": (1920, 1080), "tablet": (1280, 800), "phone": (390, 844)}


def main():
    program, folder = map(pathlib.Path, sys.argv[1:])
    folder.mkdir(parents=True, exist_ok=True)
    stage = Stage(program.resolve())
    driver = browser()
    try:
        resuscitation(stage)
        for view, link in [("wall", stage.wall), ("scribe", stage.scribe)]:
            driver.get(link)
            until(lambda: driver.execute_script("return document.body.dataset.link") == "on")
            stage.tell(so_far="saturation seventy")
            until(lambda: "seventy" in text(driver, "#so-far"))
            for theme in ("dark", "light"):
                driver.execute_script("document.documentElement.dataset.theme = arguments[0]", theme)
                for name, size in SIZES.items():
                    resize(driver, size)
                    time.sleep(0.3)
                    path = folder / f"{view}-{name}-{theme}.png"
                    driver.save_screenshot(str(path))
                    print(path)
        driver.get(stage.wall)
        until(lambda: driver.execute_script("return document.body.dataset.link") == "on")
        resize(driver, SIZES["wall"])
        stage.tell(device="microphone", state="lost", text="it was unplugged (an invented example)")
        until(lambda: "Microphone" in text(driver, "#signs"))
        path = folder / "wall-wall-trouble.png"
        driver.save_screenshot(str(path))
        print(path)
        stage.stop()
        until(lambda: "Connection lost" in text(driver, "#signs"))
        path = folder / "wall-wall-lost.png"
        driver.save_screenshot(str(path))
        print(path)
    finally:
        driver.quit()
        stage.stop()


if __name__ == "__main__":
    main()
