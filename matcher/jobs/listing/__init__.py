"""Does the picture show what the listing says? A sale listing's words and pictures in, a verdict out, claim by claim.

    text              the listing's text              -> words with their places; markup is text, addresses not followed
    vocabulary        vocabulary.json, the catalogue's own, the records' descriptions -> terms and phrases that say them
    phrases           words + phrases                 -> where the phrases stand, misspelt or turned round
    names             words + the catalogue's names   -> who and what is named
    measures          the text                        -> sizes, years, numbers of cards
    claim_extraction  words and what was found there  -> claims, turned round where they are denied
    claims            all of these                    -> `ListingReading`: claims, their words, and what stays unread
    inspection        a photo that was identified     -> facts about each card, and whether it was seen before
    seen_before       a card and its photo            -> the same card, or the same picture file, among what was seen
    image_reuse       two photos of one card          -> whether they are one picture file
    card_evidence     published identifications       -> `CardEvidence`: what each card is known to be, how surely
    compare           a claim + the cards             -> `Judgement`: agrees, contradicts, cannot be told; why
    facts             claims that are measured: condition, size or named format, number of cards
    verdict           all judgements                  -> one of three steps, notes, questions worth asking
    assess            a listing                       -> the published object; the only place that knows the order
    batch             a table of listings             -> all of them; a run that was stopped resumes
    listing_json      results and looks               -> JSON, and back
    carriers          what goes between these parts

The pictures are identified elsewhere, like any other photo; nothing here follows an address in a text.
"""
