"""Pages, walkthroughs and packs: what they show is what was measured, and nothing in them harms a stranger's reader."""
