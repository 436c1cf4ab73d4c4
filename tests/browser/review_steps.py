"""What a person does on the Photos page: steps for a browser, each in one call.

Every step takes a page of Playwright's synchronous interface that shows a tree's photo, and returns
when the page has answered. Words are those of the English texts.
"""

from __future__ import annotations

from typing import Any

# A page or a locator of Playwright, which is no library of the program.
Page = Any
# Across and down, in px of the screen or in shares of the picture.
Place = tuple[float, float]

WAIT_MS = 30_000


def open_photo(page: Page, address: str, *, who: str = "Ana", more: str = "") -> None:
    """The Photos page of the app at an address, until its picture is there."""
    page.goto(f"{address}/photos?lang=en&who={who}{more}")
    page.wait_for_selector(".sheet svg image", timeout=WAIT_MS)
    page.locator(".sheet svg").scroll_into_view_if_needed()
    settled(page)


def settled(page: Page) -> None:
    """Until the app has answered what was saved last."""
    sentence = page.locator(".sheet .sentence")
    sentence.filter(has_not_text="Saving").wait_for(timeout=WAIT_MS)
    page.wait_for_timeout(300)


def counted(page: Page) -> int:
    """The large number of fruit counted in the photo."""
    cell = page.locator(".fv-number", has_text="Fruit counted").locator(".mid")
    return int(cell.inner_text().replace(",", ""))


def fruit_places(page: Page, kind: str = "sized") -> list[Place]:
    """Where fruit are on the screen, those farthest from any other first."""
    places: list[Place] = page.evaluate(
        """kind => {
            const at = node => {
                const box = node.getBoundingClientRect();
                return [box.x + box.width / 2, box.y + box.height / 2];
            };
            const root = [...document.querySelectorAll('*')].find(
                node => node.shadowRoot?.querySelector('.sheet'))?.shadowRoot ?? document;
            const all = [...root.querySelectorAll('.fruit')].map(
                node => [node, at(node.querySelector('ellipse') ?? node)]);
            const apart = here => Math.min(...all.map(([, at]) => at).filter(at => at !== here)
                .map(at => Math.hypot(at[0] - here[0], at[1] - here[1])));
            return all.filter(([node]) => node.classList.contains(kind)).map(([, at]) => at)
                .sort((one, other) => apart(other) - apart(one));
        }""",
        kind,
    )
    return places


def press(page: Page, words: str) -> None:
    """A button beside the picture."""
    page.locator(".sheet .buttons button", has_text=words).first.click()


def on_screen(page: Page, share: Place) -> Place:
    """Where a place of the picture is on the screen, from its shares of width and height."""
    picture = page.locator(".sheet svg")
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()
    return box["x"] + share[0] * box["width"], box["y"] + share[1] * box["height"]


def tap_fruit(page: Page, kind: str = "sized") -> None:
    """The fruit that stands most alone."""
    page.locator(".sheet svg").scroll_into_view_if_needed()
    page.mouse.click(*fruit_places(page, kind)[0])


def take_out(page: Page) -> None:
    """A fruit that is none."""
    tap_fruit(page)
    press(page, "Not a fruit")
    settled(page)


def take_out_by_key(page: Page) -> None:
    """The first fruit of this row that arrow keys come to."""
    picture = page.locator(".sheet svg")
    picture.focus()
    for _ in range(400):
        page.keyboard.press("ArrowRight")
        if page.locator(".sheet .fruit.sized.chosen").count():
            break
    page.keyboard.press("Delete")
    settled(page)


def add_by_stroke(page: Page, share: Place, across_px: float = 24.0) -> None:
    """A fruit that is missing, drawn from its left to its right; all of it is seen."""
    press(page, "A fruit is missing")
    at = on_screen(page, share)
    stroke(page, (at[0] - across_px / 2, at[1]), (at[0] + across_px / 2, at[1]))
    press(page, "all of it is seen")
    settled(page)


def reshape(page: Page, by_px: float = 8.0) -> None:
    """A fruit's outline, pulled at the right end of its long axis."""
    tap_fruit(page)
    press(page, "Wrong outline")
    at = middle(page, ".sheet .handle")
    stroke(page, at, (at[0] + by_px, at[1]))
    press(page, "all of it is seen")
    settled(page)


def draw_ground(page: Page, up_px: float = 60.0) -> None:
    """The ground line, pulled up by its middle."""
    press(page, "Ground")
    at = middle(page, ".sheet svg line.line")
    stroke(page, at, (at[0], at[1] - up_px))
    press(page, "Keep the ground line")
    settled(page)


def draw_sides(page: Page, in_px: float = 60.0) -> None:
    """The left side of the tree, pulled towards it."""
    press(page, "Sides of the tree")
    at = middle(page, ".sheet .handle")
    stroke(page, at, (at[0] + in_px, at[1]))
    press(page, "Keep the sides")
    settled(page)


def point_at(page: Page, first: Place, last: Place) -> None:
    """A box around a ball or a sheet; the form that asks for its size is then there."""
    press(page, "Ball or sheet")
    stroke(page, on_screen(page, first), on_screen(page, last))
    press(page, "say its size")
    page.get_by_text("How large is what hangs in the box?").wait_for(timeout=WAIT_MS)


def forget_box(page: Page) -> None:
    """No size is given after all."""
    page.get_by_role("button", name="Forget the box").click()
    page.get_by_text("How large is what hangs in the box?").wait_for(
        state="detached", timeout=WAIT_MS
    )
    page.wait_for_timeout(500)


def middle(page: Page, what: str) -> Place:
    """The middle of something that is drawn in the picture."""
    page.locator(".sheet svg").scroll_into_view_if_needed()
    box = page.locator(what).first.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def stroke(page: Page, first: Place, last: Place) -> None:
    """A stroke of the mouse."""
    page.mouse.move(*first)
    page.mouse.down()
    page.mouse.move((first[0] + last[0]) / 2, (first[1] + last[1]) / 2, steps=4)
    page.mouse.move(*last, steps=4)
    page.mouse.up()


def undo_last(page: Page) -> None:
    """The latest of all that was put right."""
    undo = page.get_by_role("button", name="Undo", exact=True)
    if not undo.count():
        page.get_by_text("What people put right here").click()
        undo.first.wait_for(timeout=WAIT_MS)
    again = page.get_by_role("button", name="Do it again", exact=True)
    before = again.count()
    undo.first.click()
    again.nth(before).wait_for(timeout=WAIT_MS)
    page.wait_for_timeout(300)
