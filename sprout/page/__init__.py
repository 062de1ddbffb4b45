"""A page for the phone, on the same network: take the photo, see the reading, correct it, note what was done.

access    who may: pairing codes, paired phones, form tokens, how often
guard     what reaches the page at all: hosts, peers, sizes, times; and the headers of every answer
uploads   a photo that arrives -> the book, read in a process of its own
contents  the book -> what the pages show
drawing   the lid as a picture with sites to tap, and curves
forms     what is tapped and typed -> corrections and notes
desk      what every page stands on
app       the pages
server    addresses, the code on the terminal, and the server itself
"""
