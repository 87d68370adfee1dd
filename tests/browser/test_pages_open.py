"""Pages open on a phone and at a desk, without a fault, a finding of axe-core or a line too wide."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page

ADDRESSES = ("/", "/gallery", "/help", "/devices", "/problems")


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_page_opens_on_the_phone_without_a_finding(
    phone: Page, check_axe: Callable[[Page], None], shot: Callable[[Page, str], None], address: str
) -> None:
    phone.goto(address)
    check_axe(phone)
    shot(phone, f"phone{address.replace('/', '-')}")
    assert phone.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_page_opens_at_the_desk_without_a_finding(
    desk: Page, check_axe: Callable[[Page], None], shot: Callable[[Page, str], None], address: str
) -> None:
    desk.goto(address)
    check_axe(desk)
    shot(desk, f"desk{address.replace('/', '-')}")
