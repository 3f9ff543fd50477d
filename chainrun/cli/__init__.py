"""The commands, one file each: parse, call, show. Results go to stdout, talk to stderr."""
