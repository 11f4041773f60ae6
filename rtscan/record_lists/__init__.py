"""Indications as CSV and XLSX tables: hand lists, answer sheets, worksheets that a reader has changed."""

from rtscan.record_lists.columns import COLUMNS, CellError, completed, number, text, written, written_text
from rtscan.record_lists.indications import IndicationList, raw_list, read_indications, signature, write_csv
from rtscan.record_lists.table_files import Cell, Table, TableFile, neutralised, open_table_file, restored, shortened

__all__ = [
    "COLUMNS", "Cell", "CellError", "IndicationList", "Table", "TableFile", "completed", "neutralised", "number", "open_table_file",
    "raw_list", "read_indications", "restored", "shortened", "signature", "text", "write_csv", "written", "written_text",
]
