"""A controller that says what a script has it say, line for line, and nothing else."""

from __future__ import annotations

from collections import deque

from stacker.rail.clock import VirtualClock


class ScriptedLines:
    """What is sent, in order; what comes back after each line, or unasked."""

    url = "script"

    def __init__(self, **answers: list[str]) -> None:
        self.clock = VirtualClock()
        self.answers, self.sent, self.coming = answers, [], deque[str]()

    def send(self, data: bytes) -> None:
        line = data.decode().removesuffix("\n")
        self.sent.append(line)
        self.coming.extend(self.answers.get(line, []))

    def read_line(self, deadline_s: float) -> bytes | None:
        if self.coming:
            return self.coming.popleft().encode()
        self.clock.sleep(min(0.05, max(0.0, deadline_s - self.clock.now())) or 0.05)
        return None

    @property
    def pending(self) -> bool:
        return bool(self.coming)

    def close(self) -> None:
        pass
