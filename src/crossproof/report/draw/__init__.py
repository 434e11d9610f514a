"""How a report looks: pages, workbook, labels, charts."""
