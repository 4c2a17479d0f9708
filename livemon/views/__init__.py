"""What people and other tools see: screen, plain lines, result, trace, report. rich is imported only here."""
