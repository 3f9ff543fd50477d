"""What is wrong with the stems, one by one and between microphones; a first recipe for a folder of them."""
