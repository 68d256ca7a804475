"""The files of a site folder by name."""

SITE_FILE, LOCATES_FILE, TIES_FILE = "site.toml", "locates.csv", "ties.csv"
FINDINGS_FILE, REVISIONS_FOLDER = "findings.csv", "revisions"
BOOK_FILE = "fieldbook.xlsx"
