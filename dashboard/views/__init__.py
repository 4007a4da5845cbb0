"""Pages, one a file; `dashboard.app` lists them."""
