"""Packs a session to give away, stems, recipe, measurements and mix, into one zip; and checks such a file."""
