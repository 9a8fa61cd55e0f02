"""From the drawing to a board file: readers of open formats, kinds from references and values, proposals, merge."""
