"""The colours of pages and drawings, light and dark; the app starts with them."""

# Each colour is used on "paper" and on "panel"; text colours keep 4.5 : 1, lines 3 : 1 (WCAG 2.2).
THEME = {  # name -> for light mode and print, and for dark mode
    "ink": ("#1d1d1f", "#f1f1ee"),
    "soft": ("#55585e", "#b9bcc2"),
    "line": ("#767a82", "#8f949d"),
    "paper": ("#ffffff", "#17181b"),
    "panel": ("#f3f4f2", "#222429"),
    "band": ("#c3cede", "#46566e"),
    "accent": ("#0b5a8a", "#8cc8f2"),
    "good": ("#1d6633", "#86d69b"),
    "doubt": ("#7d5200", "#f0be62"),
    "bad": ("#a3221d", "#ff9d94"),
}
LIGHT, DARK = ({name: both[mode] for name, both in THEME.items()} for mode in (0, 1))


def theme_css() -> str:
    """CSS that sets the drawings' colours for light mode, dark mode and print."""
    light, dark = (
        "".join(f"--fm-{name}:{colour};" for name, colour in palette.items())
        for palette in (LIGHT, DARK)
    )
    return (
        f":root{{color-scheme:light dark;{light}}}"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}"
    )
