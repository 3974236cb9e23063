"""The template's own tests run where it is installed, see `test_template.py`, and not from here."""

collect_ignore = ["panelwright_template"]
