// A wrong address: what every page does is enough.
