"""The job record: one page for the customer and the file, made to be printed and to be checked again."""
