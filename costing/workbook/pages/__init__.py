"""Result sheets: answers placed on a sheet, its looks, and the writing of its cells."""
