"""Stage 12, tables and pictures -> something to look at.

marked    the grower's own photo with the reading drawn on it
views     the book's straightened views, one a day, under one light; steady holds their plugs still
html      the report on one page; figures draws its curves, svg brings them into the page
film      the views as a film
tagsheet  the sheet of printable tags
calendar  forecast dates and things to do as a calendar file
compared  several grows side by side as a picture
spacing   before and after spreading the plugs out as a picture
words     numbers and dates in words
"""

import logging

# or it tells at length that it keeps its list of fonts elsewhere when the home folder may not be written to
logging.getLogger("matplotlib").setLevel(logging.ERROR)
