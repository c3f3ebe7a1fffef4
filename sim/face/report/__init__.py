"""One page to send to a team mate: everything in one file, nothing fetched (row 5).

page renders a `Report` through page.html, with page.css and page.js put into
it; timeline makes the data that page.js draws; the other files make the report
of a command.
"""
