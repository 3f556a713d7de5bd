"""``python -m coach``."""

from __future__ import annotations


def main() -> None:
    """Run the command line."""
    from coach.cli.root import run

    run()


if __name__ == "__main__":
    main()
