"""A session to give away: stems, recipe, measurements and a mix in one plain zip, and the check of such a file."""
