"""Commands for light, cards, charts, frames and phones."""
