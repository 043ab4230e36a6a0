"""What is said to a far end around the transfers: who it is, whether it takes our token, and whose turn it is."""

from __future__ import annotations

import json
import secrets
from contextlib import suppress

from adapters.far_end import PROTOCOL
from adapters.probing.errors import ProbeFailed
from adapters.probing.http_wire import Connection, Proof, refuse
from adapters.probing.target import Target
from adapters.probing.way import Way

_MOST_NAME = 100  # characters


class Greeting:
    """A connection to a far end that is no transfer. Raises ProbeFailed from everything, FarEndBusy where another one
    has its turn."""

    def __init__(self, target: Target, way: Way, proof: Proof | None = None) -> None:
        self.proof = Proof(target.token) if proof is None else proof
        self._target, self._way = target, way
        self._us = secrets.token_hex(8)  # two loggers may share an address
        self._connection = Connection(target, way, self.proof)
        self._claimed = False

    def hello(self) -> str:
        """The name that it has, which may be any text."""
        answer = self._connection.ask("GET", "/")
        refuse(answer.head, self._target.label)
        try:
            told = json.loads(answer.body)
            protocol, name = told["protocol"], str(told["name"])[:_MOST_NAME]
            str(told["linktrial"])
        except (ValueError, TypeError, KeyError, RecursionError):
            raise ProbeFailed(
                f"{self._target.label!a} is a web server, but no far end; is 'linktrial far-end' running there?"
            ) from None
        if protocol != PROTOCOL:
            raise ProbeFailed(
                f"the far end speaks another protocol than this laptop ({str(protocol)[:10]!a}, not {PROTOCOL}); "
                "install the same linktrial on both"
            )
        return name

    def check_token(self) -> None:
        """Whether it takes it, and knows it, too; it is not told what the token is."""
        self._ask_as_paired("GET", f"{self._target.path}?count=0")

    def claim(self, seconds: float) -> None:
        """Have the far end for ourselves for so long; it ends by itself."""
        self._ask_as_paired("GET", f"/claim?seconds={round(seconds)}&as={self._us}")
        self._claimed = True

    def _ask_as_paired(self, method: str, path: str) -> None:
        head = self._connection.ask(method, path).head
        refuse(head, self._target.label)
        if not self.proof.answered_by(head):
            raise ProbeFailed(f"{self._target.label!a} does not show that it knows the token; is it your far end?")

    def close(self) -> None:
        """Give the turn back, if we had it, as far as that can be done."""
        with suppress(ProbeFailed):
            if self._claimed:
                self._claimed = False
                self._give_back()
        self._connection.close()

    def _give_back(self) -> None:
        request = "DELETE", f"/claim?as={self._us}"
        try:
            self._connection.ask(*request, within_s=2)
        except ProbeFailed:  # after a long turn the far end no longer waits on this connection
            self._connection.close()
            self._connection = Connection(self._target, self._way, self.proof)
            self._connection.ask(*request, within_s=2)


def meet(interface: str, target: Target) -> str:
    """Reach a far end over the interface and try the token: its name, which may be any text. Raises ProbeFailed."""
    greeting = Greeting(target, Way(interface))
    try:
        name = greeting.hello()
        greeting.check_token()
        return name
    finally:
        greeting.close()
