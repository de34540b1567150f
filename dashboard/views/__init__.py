"""The pages, one file each; `dashboard.app` lists them."""
