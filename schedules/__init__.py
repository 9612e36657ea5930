"""When, who, in which order: interval tables, due dates, visits, certificates."""
