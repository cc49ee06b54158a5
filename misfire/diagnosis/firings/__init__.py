"""Every firing on two axes, spark and work, and the kinds of fault that explain them."""
