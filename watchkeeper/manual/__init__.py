"""The manual for operators, and what the program itself reads of it."""
