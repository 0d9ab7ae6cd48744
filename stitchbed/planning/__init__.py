"""How to cut a sheet into captures, and what that costs."""
