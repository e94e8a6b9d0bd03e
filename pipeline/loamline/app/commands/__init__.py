"""One module a command; `loamline.app.cli` lists them."""
