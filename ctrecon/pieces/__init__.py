"""How the part was made: seams inside solid metal, and the pieces they speak for."""
