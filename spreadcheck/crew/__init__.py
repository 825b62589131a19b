"""The crew's work: planning the tray line, the sheet to fill in, recording weights, the entry form."""
