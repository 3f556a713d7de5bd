from browser_fixtures import axe, chromium, driven, editor, home, page, profile, reader

__all__ = ["axe", "chromium", "driven", "editor", "home", "page", "profile", "reader"]
