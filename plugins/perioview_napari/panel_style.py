"""How the marking panel looks: large words for what comes next, light ones on dark."""

STYLE = """
QLabel#next { font-size: 16px; font-weight: 600; padding: 5px; border-radius: 4px;
              background: #10344d; color: #ffffff; }
QLabel#message { padding: 2px; }
QLabel#caution { font-size: 12px; color: #c4c4c4; }
QToolButton#heading { font-weight: 600; color: #9ad0f5; border: none; background: transparent;
                      padding: 3px 0px; }
QTableWidget { font-size: 13px; }
"""
