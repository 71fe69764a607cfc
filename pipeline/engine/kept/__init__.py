"""What a run left in OUT: records that were lost, the list of everything, comparing with it, rendering again."""
