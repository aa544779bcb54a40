"""The command line: each verb parses, calls one function, prints. Nothing is decided here but words and exit status."""

from laneproof.cli.main import main

__all__ = ["main"]
