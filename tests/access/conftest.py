"""Being here puts this folder on the path of ``sign_in_file``."""
