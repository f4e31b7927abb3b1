"""Teaching pictures of good and bad views: scenes, numbers, words, cards, sheets."""
