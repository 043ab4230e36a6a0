"""The other end for transfers: leave this running on a machine that is wired to the router.

It serves this machine and private networks only, and nobody who cannot say the pairing token. It opens no file once it
runs. Every limit is per day, client and in all as its option says; 0 stands for none.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from adapters.far_end import DEFAULT_PORT
from logger.commands import add_json_option
from logger.commands.saying import say_json


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, metavar="N", help=f"else {DEFAULT_PORT}; 0: any")
    parser.add_argument("--token-file", type=Path, metavar="PATH", help="else in the platform's configuration folder")
    parser.add_argument("--new-token", action="store_true", help="make another token; clients must be paired anew")
    parser.add_argument("--show-token", action="store_true", help="print the token, and serve nothing")
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    token = _token(args)
    if args.show_token:
        return say_json(token=token) if args.json else print(token) or 0
    import asyncio
    import platform
    from importlib.metadata import version

    from adapters.far_end.server import FarEnd, listen

    far_end = FarEnd(token, name=platform.node(), version=version("linktrial"))
    print(f"pairing token: {token}", file=sys.stdout)
    asyncio.run(far_end.serve(listen(args.port)))
    return 0


def _token(args: argparse.Namespace) -> str:
    from adapters.far_end.pairing import keep_token, new_token, read_token, token_path

    path = args.token_file or token_path()
    token = None if args.new_token else read_token(path)
    if token is None:
        token = new_token()
        keep_token(path, token)
    return token
