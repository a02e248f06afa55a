"""Mark regions on a photo in the browser with finger, pen, mouse or keys."""
