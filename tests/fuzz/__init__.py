"""Recipes and audio headers made wrong at random: none may crash, hang, fill memory or control the terminal.

python -m tests.fuzz [--cases 20000] [--headers 2000] [--seed 0]
"""
