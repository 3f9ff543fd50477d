"""Each processor against closed forms, published curves and the trade's expectations."""
