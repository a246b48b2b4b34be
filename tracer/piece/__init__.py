"""The piece around the outline: blank, hole, balance, edges, amounts, pour, master."""
