"""The browser of the browser tests, for the long use of the viewer."""

from tests.browser.conftest import chromium

__all__ = ["chromium"]
