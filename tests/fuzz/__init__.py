"""Recipes and audio headers made wrong at random: what must never crash, hang, fill memory or speak to the terminal.

python -m tests.fuzz [--cases 20000] [--headers 2000] [--seed 0]
"""
