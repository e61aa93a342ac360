"""Pages that show what was done: static HTML, one file each, nothing fetched and nothing run. They are told values and know no pixels, folders or ledger."""
