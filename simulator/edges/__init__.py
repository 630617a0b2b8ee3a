"""Where the model meets the outside: ptys, header files, memory; and the only code that waits."""
