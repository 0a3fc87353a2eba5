"""The job record: one page for the customer and the file, made to be printed and to be checked again.

record    assembles the page
job       what the person enters
inputs    content hashes of everything that the record rests on, and checking them again
suspects  causes, readings and advice, from a diagnosis
sections  the parts of the page
teaching  what follows the replacement of a unit
diagram   the timing diagram as part of the page
markup    elements whose text cannot become markup
"""
