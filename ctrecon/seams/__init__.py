"""Lines of air inside solid metal: searched, fitted and judged against chance."""
