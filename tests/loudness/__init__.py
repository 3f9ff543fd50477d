"""The meter against ITU-R BS.1770, EBU Tech 3341 and 3342, and other meters."""
