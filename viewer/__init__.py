"""Everything a person sees: command line, report, pictures and the interactive viewer."""
