"""Problems with known answers, and the manual made from them."""
