"""The search for barriers finds those that a page has."""

import pytest
from barriers import violations

# WCAG 2.2: 1.4.3 asks for a contrast of 4.5 (this grey on white has 1.6), 1.1.1 for words.
PAGE = """<html lang="en"><title>A</title><main><h1>A</h1>
<p style="color: #ccc; background: #fff">pale</p>
<img src="data:image/gif;base64,R0lGODlhAQABAAAAACw=">
</main></html>"""


@pytest.mark.parametrize(
    ("options", "found"),
    [
        ({}, {"color-contrast", "image-alt"}),
        ({"runOnly": ["cat.color"]}, {"color-contrast"}),
        ({"runOnly": ["wcag2a"]}, {"image-alt"}),
    ],
)
def test_a_pale_word_and_a_picture_without_words_are_found(open_screen, options, found):
    page = open_screen("about:blank").page
    page.set_content(PAGE)
    assert {rule["id"] for rule in violations(page, **options)} == found
    assert not violations(page, "h1", **options)
