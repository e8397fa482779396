"""How sensors speak: one file a family, each with the struct of its [encoding] table, its decoder and its electrical
description. table.py has a row for every family.
"""
