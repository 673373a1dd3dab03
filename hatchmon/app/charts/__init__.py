"""Graphs as plain data, and how they are drawn: by the server as SVG, in the browser by Plotly's script."""
