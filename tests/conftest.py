"""Order of the test modules: long ones first, so that no worker waits for the other at the end."""

import pytest

#: Modules of few but long tests; what is long in one process ends last when begun last.
LONG = ("test_kills.py", "test_browser_session.py", "test_message.py", "test_fuzz.py",
        "test_run.py", "test_warm_up_cooling.py", "test_unbreakable.py")  # fmt: skip


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the drawn order but for the long modules."""
    items.sort(key=lambda item: LONG.index(item.path.name) if item.path.name in LONG else len(LONG))
