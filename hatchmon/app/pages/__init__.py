"""The pages: what each route shows, its templates, and the files that go with them."""
