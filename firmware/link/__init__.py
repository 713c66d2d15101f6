"""The link: requests from the shop's computer, and the replies."""
