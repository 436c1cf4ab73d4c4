"""Any table of people and offices: what each column is, which units, days and names it means."""
