"""What keeps a store within its rules: forgetting a driver, dropping what is old, holding what must stay."""
