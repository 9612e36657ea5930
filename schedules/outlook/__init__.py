"""The months ahead of the whole firm: trips of every site, levelled over the weeks."""
