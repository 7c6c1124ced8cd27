"""Commands, exit codes and printing."""
