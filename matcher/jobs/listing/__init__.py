"""Does the picture show what the listing says? A sale listing's words and pictures in, a verdict out, claim by claim.

text         the listing's text              -> words with their places; markup is text, addresses are not followed
vocabulary   vocabulary.json, the catalogue's own, the records' descriptions -> terms and the phrases that say them
phrases      words + phrases                 -> where the phrases stand, misspelt or turned round
names        words + the catalogue's names   -> who and what is named
measures     the text                        -> sizes, years, numbers of cards
claims       all of these                    -> `OcrReading`: claims with the words they rest on, and what stays unread
look         a photo that was identified     -> facts about each face, and whether it was seen before
seen         a face and its photo            -> the same card, or the same picture file, among what was seen
shown        published identifications       -> `CardEvidence`: what each card is known to be, with probabilities
compare      a claim + the cards             -> `Judgement`: agrees, contradicts, cannot be told; why
facts        claims that are measured: condition, size, number of cards
verdict      all judgements                  -> one of three steps, notes, questions worth asking
assess       a listing                       -> the published object; the only place that knows the order
batch        a table of listings             -> all of them; a run that was stopped resumes
carriers     what goes between these parts
"""
