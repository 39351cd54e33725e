"""What can be wrong with a sheet as a file, or with a name in one, before any cell is understood.

They stand here and not in jobs/rules.py because the edge may not know the jobs; jobs/rules.py lists them.
"""

from __future__ import annotations

from provpack.findings import Rule

SHEET_MISSING = Rule(
    id="job-sheet-missing",
    severity="error",
    title="a sheet the job needs is not there",
    todo="Put the file into the job folder under that name.",
)
SHEET_UNREADABLE = Rule(
    id="job-sheet-unreadable",
    severity="error",
    title="a sheet cannot be read",
    todo="Check permissions and the disk, and that it is a plain file.",
)
SHEET_TOO_LARGE = Rule(
    id="job-sheet-too-large",
    severity="error",
    title="a sheet is larger than any sheet of this kind can be",
    todo="Split the job into smaller ones, or remove what is not part of the sheet.",
)
SHEET_EMPTY = Rule(
    id="job-sheet-empty",
    severity="error",
    title="a sheet has no header row",
    todo="Put the column names into the first row.",
)
SHEET_ENCODING = Rule(
    id="job-sheet-encoding",
    severity="error",
    title="the character encoding of a sheet cannot be told",
    todo="Save the sheet again as 'CSV UTF-8'.",
)
SHEET_CP1252 = Rule(
    id="job-sheet-cp1252",
    severity="note",
    title="a sheet is not UTF-8 and was read as Windows-1252",
    todo="Check accented letters in the record, or save the sheet as 'CSV UTF-8'.",
)
SHEET_UTF16 = Rule(
    id="job-sheet-utf16",
    severity="note",
    title="a sheet is UTF-16 and was read as such",
    todo="Nothing; 'CSV UTF-8' is the safer choice.",
)
SHEET_NUL = Rule(
    id="job-sheet-nul",
    severity="error",
    title="a sheet contains NUL characters",
    todo="The file is damaged or is not text: export the sheet again as CSV.",
)
SHEET_DELIMITER = Rule(
    id="job-sheet-delimiter",
    severity="error",
    title="the header does not say which delimiter separates the columns",
    todo="Use one of comma, semicolon or tab, the same one in the whole sheet.",
)
SHEET_QUOTES = Rule(
    id="row-quotes",
    severity="error",
    title="quotation marks around a cell do not match",
    todo="Put one quotation mark before and one after the cell, and double those inside it.",
    reference="RFC 4180 section 2",
)
HEADER_UNKNOWN = Rule(
    id="row-header-unknown",
    severity="error",
    title="a column name is not in the data dictionary",
    todo="Correct the column name, or delete the column.",
)
HEADER_DUPLICATE = Rule(
    id="row-header-duplicate",
    severity="error",
    title="two columns have the same name",
    todo="Keep one of the two columns.",
)
HEADER_EMPTY = Rule(
    id="row-header-empty",
    severity="error",
    title="a column with content has no name",
    todo="Name the column, or empty its cells.",
)
HEADER_TIDIED = Rule(
    id="row-header-tidied",
    severity="warning",
    title="a column name was only recognised after tidying",
    todo="Write the column name in lower case, with underscores.",
)
ROW_RAGGED = Rule(
    id="row-ragged",
    severity="error",
    title="a row has more cells than the header has columns",
    todo="Look for an unquoted delimiter inside a cell of this row.",
)
ROW_SHORT = Rule(
    id="row-short",
    severity="warning",
    title="a row has fewer cells than the header has columns",
    todo="Check that no cell is missing; the rest was taken as empty.",
)
CELL_TOO_LARGE = Rule(
    id="row-cell-too-large",
    severity="error",
    title="a cell is larger than 1 MiB",
    todo="Look for a missing quotation mark, or put the text into a document of its own.",
)
CELL_CONTROL = Rule(
    id="row-control-character",
    severity="error",
    title="a cell holds a control character",
    todo="Type it again.",
)
TOML_SYNTAX = Rule(
    id="job-toml-syntax",
    severity="error",
    title="a TOML file is not well-formed",
    todo="Correct the line named.",
    reference="TOML 1.0",
)
TOML_VALUE = Rule(
    id="job-toml-value",
    severity="error",
    title="a TOML value cannot be part of a record",
    todo="Write a finite number, a text, or leave the key out when the value is not known.",
)
PATH_OUTSIDE = Rule(
    id="job-path-outside",
    severity="error",
    title="a name leads out of the job folder",
    todo="Copy the file into the job folder and name it relative to that folder.",
)
PATH_FORM = Rule(
    id="job-path-form",
    severity="error",
    title="a file name cannot be used",
    todo="Name the file as it stands in the job folder, with / between folders.",
)
PATH_MISSING = Rule(
    id="job-file-missing",
    severity="error",
    title="a file that is named is not there",
    todo="Put the file into the job folder, or correct the name.",
)
PATH_LINK = Rule(
    id="job-link",
    severity="error",
    title="a link is in the way",
    todo="Replace the link by the file itself: links are never followed.",
)
PATH_SPECIAL = Rule(
    id="job-not-a-file",
    severity="error",
    title="something is neither a plain file nor a folder",
    todo="Remove it from the job folder.",
)
FOLDER_LINK = Rule(
    id="job-folder-link",
    severity="warning",
    title="the job folder holds a link",
    todo="Nothing if nothing in the job names it: links are never followed.",
)
FOLDER_SPECIAL = Rule(
    id="job-folder-special",
    severity="warning",
    title="the job folder holds a device, pipe or socket",
    todo="Remove it; it was not opened.",
)
FOLDER_UNREADABLE = Rule(
    id="job-folder-unreadable",
    severity="error",
    title="a part of the job folder cannot be listed",
    todo="Check permissions and the disk.",
)
FOLDER_TOO_LARGE = Rule(
    id="job-folder-too-large",
    severity="error",
    title="the job folder holds more than can be listed",
    todo="Give each job a folder of its own, with nothing else in it.",
)
FOLDER_NAME_BYTES = Rule(
    id="job-name-bytes",
    severity="warning",
    title="a file name is not valid Unicode",
    todo="Rename the file before anything in the job names it.",
)

INPUT_RULES: tuple[Rule, ...] = tuple(v for v in list(globals().values()) if isinstance(v, Rule))
