"""A tab of Chromium that can be hidden, as Playwright's own pages never are: over the browser's protocol."""

from __future__ import annotations

import json
import time
from typing import Any

__all__ = ["Tab"]


class Tab:
    """An address in a tab of its own."""

    def __init__(self, browser: Any, address: str) -> None:
        self._session = browser.new_browser_cdp_session()
        self._answers: dict[int, Any] = {}
        self._asked = 0
        self._session.on("Target.receivedMessageFromTarget", self._heard)
        self._target = self._create(address)
        attached = self._session.send("Target.attachToTarget", {"targetId": self._target, "flatten": False})
        self._inside = attached["sessionId"]

    def evaluate(self, expression: str) -> Any:
        """Value of an expression in the page; None while it is being loaded."""
        self._asked += 1
        ask = {"returnByValue": True, "awaitPromise": True, "expression": expression}
        message = {"id": self._asked, "method": "Runtime.evaluate", "params": ask}
        self._session.send(
            "Target.sendMessageToTarget", {"sessionId": self._inside, "message": json.dumps(message)}
        )
        answer = self._waited(lambda: self._answers.pop(self._asked, None))
        if "error" in answer:
            return None
        assert "exceptionDetails" not in answer["result"], answer
        return answer["result"]["result"].get("value")

    def until(self, expression: str) -> Any:
        """The expression's value once it is true."""
        return self._waited(lambda: self.evaluate(expression))

    def hide(self) -> None:
        """Open another tab in front of it."""
        self._front = self._create("about:blank")
        self._session.send("Target.activateTarget", {"targetId": self._front})
        self.until("document.hidden")

    def show(self) -> None:
        """Bring it to the front."""
        self._session.send("Target.activateTarget", {"targetId": self._target})
        self.until("!document.hidden")

    def close(self) -> None:
        for target in (self._target, self._front):
            self._session.send("Target.closeTarget", {"targetId": target})
        self._session.detach()

    def _create(self, address: str) -> str:
        return str(self._session.send("Target.createTarget", {"url": address})["targetId"])

    def _heard(self, event: dict[str, Any]) -> None:
        message = json.loads(event["message"])
        if "id" in message:
            self._answers[message["id"]] = message

    def _waited(self, ask: Any, timeout_s: float = 30.0) -> Any:
        end = time.monotonic() + timeout_s
        while time.monotonic() < end:
            if found := ask():
                return found
            self._session.send("Target.getTargets")  # lets events in
            time.sleep(0.02)
        raise TimeoutError("the tab did not do what was waited for")
