"""Goods: agent lots, gas, parts, labels and waste, every amount with where it came from and went."""
