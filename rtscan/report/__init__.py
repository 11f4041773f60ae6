"""Pictures, worksheets, repair sheets and strips for people."""
