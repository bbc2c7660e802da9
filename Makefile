# Everything is installed into .venv; nothing is changed outside this folder except by "make test", which installs the
# Debian packages that its servers come from (tests/setup says which).

VENV := .venv
PYTHON ?= python3

.PHONY: demo test check bench picture clean

# A small faulty site on this machine's loopback range, verified; prints where the HTML report is.
demo: $(VENV)/installed
	$(VENV)/bin/seatrial demo

# Every check and every test, none of them skipped.  Half of their time is waiting, so two processes share them, file by file.
test: $(VENV)/installed-for-tests
	tests/setup
	$(MAKE) --no-print-directory check
	$(VENV)/bin/pytest -p no:cacheprovider -n 2 --dist loadfile

# Style and types only.
check: $(VENV)/installed-for-tests
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy

# Measures, not tests: figures depend on the machine.
bench: $(VENV)/installed-for-tests
	$(VENV)/bin/python tests/bench/ntp_load.py
	$(VENV)/bin/python tests/bench/history_load.py
	$(VENV)/bin/python tests/bench/scale.py

# The picture in the README: the first screen of a real demo report, in Debian's Chromium.
picture: $(VENV)/installed-for-tests
	$(VENV)/bin/seatrial demo --quiet --output build/picture
	$(VENV)/bin/python tests/browser/picture.py build/picture/tidewater.html reports/picture.png

$(VENV)/bin/python:
	$(PYTHON) tests/make_venv.py $(VENV)

$(VENV)/installed: $(VENV)/bin/python pyproject.toml
	$(VENV)/bin/pip install --quiet --disable-pip-version-check --editable .
	touch $@

$(VENV)/installed-for-tests: $(VENV)/installed
	$(VENV)/bin/pip install --quiet --disable-pip-version-check --editable '.[test]'
	touch $@

clean:
	rm -rf $(VENV) build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis
