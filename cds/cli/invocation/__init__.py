"""What every call of a command goes through: the command found, its options and input read, its report handed over."""
