"""The command line: what each command says, its streams, signals and errors."""
