"""Parts of the page for sales and the harvest."""
