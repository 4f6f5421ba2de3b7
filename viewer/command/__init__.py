"""The command line: one subcommand a job, one clear line an error, exit codes 0, 1 and 2."""
