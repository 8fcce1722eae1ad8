"""From symptoms and ring findings to the part to take out next. Imports no board and no screen."""
