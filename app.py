"""The dashboard's entry point: ``econmodel dashboard``, or ``streamlit run app.py``."""

from econmodel.interfaces.dashboard.shell import run

run()
