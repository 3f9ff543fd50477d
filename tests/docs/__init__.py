"""The papers that come with the program: what `explain` tells of them."""
