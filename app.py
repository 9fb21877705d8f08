"""The dashboard's entry point: ``econmodel dashboard``, or ``streamlit run app.py``; imported, it is the server's application."""

from streamlit.starlette import App

from econmodel.interfaces.dashboard.gate import gate
from econmodel.interfaces.dashboard.shell import run

if __name__ == "__main__":
    run()
else:
    app = App(__file__, middleware=gate())
