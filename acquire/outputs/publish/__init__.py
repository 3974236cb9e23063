"""What is made public: pages, cards, tables and the bundle they can be recomputed from."""
