"""What the desk says no to."""

from __future__ import annotations


class NoSeason(Exception):
    """There is no season of this name in the folder."""


class Refused(Exception):
    """What the browser sent, or asked for, is not taken: a status, what is wrong, how to fix it."""

    def __init__(self, status: int, sentence: str, remedy: str) -> None:
        super().__init__(sentence)
        self.status, self.sentence, self.remedy = status, sentence, remedy
