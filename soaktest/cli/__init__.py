"""The command line. Each group is a file of its own; heavy imports wait until a command runs."""
