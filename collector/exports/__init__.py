"""Exports as they come: what a historian, a data logger or a spreadsheet wrote, understood, told, and brought to the contract of replay.

    file ─> lines (encoding, workbook) ─> dialect (separator, header, units, decimal mark) ─> columns (cells, times)
         ─> tidy (sorted, no second twice) ─> Export: what was understood, dropped and assumed ─> Parquet for `collector.replay`

Nothing is guessed in silence: every decision is a sentence of the `Understanding`, and each can be overruled.
"""
