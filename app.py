"""The fieldmarks app. Start it with ``fieldmarks show``."""

from fieldmarks.app.main import main

main()
