"""What people get, each drawn from the Plan alone. In: Plan. Out: text of files, and the folder that holds them."""
