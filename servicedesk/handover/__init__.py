"""A whole register with its history, handed to another house or taken over from one."""
