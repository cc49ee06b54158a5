"""A process that ends as one whose memory was overwritten."""

import os

from misfire.childprocess import serve


def main() -> None:
    """End at the first task."""
    serve(lambda task, replies: os.abort())
