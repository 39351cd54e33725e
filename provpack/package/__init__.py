"""Pure descriptions of a package: names, manifests, metadata documents, and how to judge a bag."""
