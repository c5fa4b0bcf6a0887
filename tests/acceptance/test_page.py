"""The page in a real browser over a real office: it lives without reload, obeys the keyboard, fits a phone."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from axlewright_models.wire.frames import Frame, Window, encode_frame
from axlewright_models.wire.topics import Topic, TopicKind
from house import SERVICES_REQUIRED, OfficeProcess, wait_for

playwright = pytest.importorskip("playwright.sync_api", reason="the Python package playwright is not installed")

CHROMIUM = os.environ.get("AXLEWRIGHT_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [pytest.mark.acceptance, pytest.mark.browser]
PATIENCE_MS = 30_000
FLEET = """
fleet = "yard"
name = "One Yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
[vehicles.t-2]
type = "tractor"
"""


class Truck:
    """A truck that publishes its windows itself, over real MQTT."""

    def __init__(self, office: OfficeProcess, vehicle: str) -> None:
        self.topic = Topic("yard", vehicle, TopicKind.READINGS)
        self.seq = 0
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self.client.connect("127.0.0.1", office.broker_port)
        self.client.loop_start()

    def drive(self, begin_s: float, end_s: float, lube_cel: float) -> None:
        """Publish a window every 10 s of this stretch, with this lube temperature on the forward drive axle."""
        time_s = begin_s
        while time_s <= end_s:
            self.seq += 1
            own = {"speed": 80.0, "engine-speed": 1200.0, "ambient": 12.0, "parked": 0.0, "height-mode": 0.0}
            axle = {"height/left": 240.0 + self.seq % 2, "height/right": 241.0 - self.seq % 2}
            axles = {
                2: axle | {"lube": lube_cel + 0.1 * (self.seq % 7)},
                3: axle | {"lube": 80.0 + 0.1 * (self.seq % 5)},
            }
            frame = Frame("yard", self.topic.vehicle, "page-test", self.seq, (Window(time_s, own, axles),))
            self.client.publish(self.topic.text, encode_frame(frame), qos=1).wait_for_publish(10)
            time_s += 10.0

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Lend a browser; Any: playwright may be absent where types are checked."""
    if CHROMIUM is None:
        (pytest.fail if SERVICES_REQUIRED else pytest.skip)("chromium is not installed (apt-get install chromium)")
    arguments = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=arguments)
        yield browser
        browser.close()


@pytest.fixture
def office(tmp_path: Path) -> Iterator[OfficeProcess]:
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(FLEET, encoding="utf-8")
    office = OfficeProcess(tmp_path, fleet)
    office.start()
    yield office
    office.stop()


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    """Lend a page that fails the test when a script of ours fails."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    failures: list[str] = []
    page.on("pageerror", lambda error: failures.append(str(error)))
    page.on("request", lambda request: None if "127.0.0.1" in request.url else failures.append(request.url))
    yield page
    context.close()
    assert failures == []


def make_hot(office: OfficeProcess) -> str:
    """Have t-1 run hot, and return the id of the advisory that says so."""
    truck = Truck(office, "t-1")
    now_s = time.time()
    truck.drive(now_s - 900.0, now_s - 5.0, lube_cel=133.0)
    truck.stop()
    found = wait_for("advisory", lambda: office.get("/api/1/advisories?vehicle=t-1"), 30)
    return str(found[0]["id"])


def test_the_first_advisory_appears_without_reload_is_handled_and_survives_a_restart(
    office: OfficeProcess, page: Any
) -> None:
    page.goto(office.page)
    row = page.locator(".truck[data-vehicle='t-1']")
    playwright.expect(row).to_contain_text("No recent data")
    page.evaluate("window.notReloaded = true")
    playwright.expect(page.locator("#link-text")).to_have_text("live", timeout=PATIENCE_MS)

    identifier = make_hot(office)
    link = page.locator(f"#why-{identifier}")
    playwright.expect(link).to_be_visible(timeout=PATIENCE_MS)
    playwright.expect(row).not_to_have_attribute("data-condition", "nothing-found")
    playwright.expect(row).to_contain_text(re.compile("above (limit|caution)"))
    assert page.evaluate("window.notReloaded") is True
    assert page.locator(".truck").first.get_attribute("data-vehicle") == "t-1"

    link.click()
    page.locator(".chart").first.scroll_into_view_if_needed()  # plots are drawn when they come into sight
    playwright.expect(page.locator(".chart .uplot").first).to_be_visible(timeout=PATIENCE_MS)
    page.get_by_role("button", name="Acknowledge").click()  # without a name the form asks for it and nothing is sent
    playwright.expect(page.locator(".adv-facts")).to_contain_text("not acknowledged")
    page.locator("#who").fill("k.planner")
    page.get_by_role("button", name="Acknowledge").click()
    playwright.expect(page.locator(".adv-facts")).to_contain_text("· acknowledged ·")
    page.get_by_text("Shelve for a time").first.click()
    page.get_by_label("Reason").first.fill("Booked in for Friday.")
    page.get_by_role("button", name="Shelve for a time").click()
    playwright.expect(page.locator(".adv-facts")).to_contain_text("shelved until")
    playwright.expect(page.locator("#log")).to_contain_text("by k.planner")

    office.kill()
    office.start()
    page.reload()
    playwright.expect(page.locator(".adv-facts")).to_contain_text("shelved until")
    playwright.expect(page.locator("#log")).to_contain_text("Booked in for Friday.")


def test_another_persons_action_is_seen_on_an_open_page(office: OfficeProcess, page: Any) -> None:
    identifier = make_hot(office)
    page.goto(f"{office.page}/advisories/{identifier}")
    playwright.expect(page.locator("#link-text")).to_have_text("live")
    office.post(f"/api/1/advisories/{identifier}/acknowledge", {"who": "m.fitter"})
    playwright.expect(page.locator(".adv-facts")).to_contain_text("· acknowledged ·")
    playwright.expect(page.locator("#log")).to_contain_text("by m.fitter")


def test_a_form_unfolded_while_its_fresh_copy_is_on_its_way_stays_as_it_is(office: OfficeProcess, page: Any) -> None:
    address = f"{office.page}/advisories/{make_hot(office)}"
    page.goto(address)
    playwright.expect(page.locator("#link-text")).to_have_text("live")
    held: list[Any] = []
    page.route(address, lambda route: held.append(route))

    def asked() -> bool:
        # Again and again: one that comes while the sheet's own first refresh is on its way is dropped.
        page.evaluate("window.htmx.trigger('#actions', 'sheet:refresh')")
        page.wait_for_timeout(100)
        return bool(held)

    wait_for("the request", asked, 30)
    page.get_by_text("Shelve for a time").first.click()
    with page.expect_response(address):
        for route in held:
            route.continue_()
    page.wait_for_timeout(300)  # a swap would have come by now
    page.get_by_label("Reason").first.fill("Booked in for Friday.", timeout=2000)


def test_the_keyboard_reaches_everything_and_focus_is_seen(office: OfficeProcess, page: Any) -> None:
    page.goto(office.page)
    page.keyboard.press("Tab")
    playwright.expect(page.locator(".skip")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    focused = page.locator(":focus")
    assert focused.get_attribute("id") == "truck-t-1"
    outline = focused.evaluate("(element) => getComputedStyle(element).outlineWidth")
    assert float(outline.removesuffix("px")) >= 2.0
    page.keyboard.press("Enter")
    page.wait_for_url("**/trucks/t-1")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_each_sheet_fits_a_phone_in_either_light(office: OfficeProcess, browser: Any, scheme: str) -> None:
    identifier = make_hot(office)
    context = browser.new_context(viewport={"width": 390, "height": 844}, color_scheme=scheme)
    page = context.new_page()
    for address in ("/", "/trucks/t-1", "/advisories", f"/advisories/{identifier}", "/intake", "/api/1/docs"):
        page.goto(office.page + address)
        page.wait_for_timeout(300)
        wider = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert wider <= 0, f"{address} is {wider} px wider than the phone"
        ink, paper = page.evaluate(
            "['color', 'backgroundColor'].map((p) => getComputedStyle(document.documentElement)[p])"
        )
        assert contrast(ink, paper) >= 7.0, (address, ink, paper)
        low = page.evaluate("[...document.querySelectorAll('.crumb a')].map((a) => a.getBoundingClientRect().height)")
        assert all(height >= 24.0 for height in low), (address, low)
    context.close()


def test_a_long_value_stays_beside_its_gauge_and_the_key_names_only_what_is_shown(
    office: OfficeProcess, page: Any
) -> None:
    make_hot(office)
    for width in (1160, 1440, 390):
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(office.page)
        value = page.locator(".t-value", has_text="above limit").first
        playwright.expect(value).to_be_visible()
        over = value.evaluate(
            "(one) => { const text = document.createRange(); text.selectNodeContents(one);"
            " return text.getBoundingClientRect().right - one.closest('.t-axle').getBoundingClientRect().right; }"
        )
        assert over <= 0.0, (width, over)
        shown = page.locator(".gauge.lube").first.is_visible()
        assert page.get_by_text("Right gauge").is_visible() == shown == (width > 600)


def test_a_lost_office_is_said_and_found_again(office: OfficeProcess, page: Any) -> None:
    page.goto(office.page)
    playwright.expect(page.locator("#link-text")).to_have_text("live")
    office.kill()
    playwright.expect(page.locator("#link-text")).to_contain_text("lost")
    banner = page.locator("#cut")
    playwright.expect(banner).to_contain_text(re.compile(r"No connection to the office since .+; what you see is old"))
    assert float(page.locator(".t-axles").first.evaluate("(row) => getComputedStyle(row).opacity")) < 1.0
    office.start()
    playwright.expect(page.locator("#link-text")).to_have_text("live", timeout=PATIENCE_MS)
    playwright.expect(banner).to_be_hidden()


def test_a_printed_truck_has_all_its_plots_and_no_navigation(office: OfficeProcess, page: Any) -> None:
    make_hot(office)
    page.goto(f"{office.page}/trucks/t-1")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    asked = page.evaluate("[...document.querySelectorAll('[data-chart]')].map((one) => one.dataset.asked)")
    assert asked == ["yes"] * 4
    page.emulate_media(media="print")
    playwright.expect(page.locator(".titleblock")).to_be_hidden()
    playwright.expect(page.locator("#zone")).to_contain_text("time zone")
    playwright.expect(page.locator(".uplot")).to_have_count(4)


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two computed colours, as WCAG 2.2 defines it."""
    lights = sorted((luminance(first), luminance(second)), reverse=True)
    return (lights[0] + 0.05) / (lights[1] + 0.05)


def luminance(colour: str) -> float:
    """Return the relative luminance of a computed colour such as ``rgb(231, 230, 225)`` (WCAG 2.2)."""
    parts = [int(part) / 255.0 for part in re.findall(r"\d+", colour)[:3]]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
