"""Texts made from the declarations: explanations for the terminal, and the JSON Schema for editors."""
