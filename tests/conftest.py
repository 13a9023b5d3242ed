"""Makes the modules beside this file importable from every test folder."""
