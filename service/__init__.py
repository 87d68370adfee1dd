"""The edges: command line, HTTP, phone page, gallery store. Imports ``model`` and nothing else of ours."""
