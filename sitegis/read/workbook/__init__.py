"""The field book: ``fieldbook.xlsx`` written blank, and read as plain tables."""
