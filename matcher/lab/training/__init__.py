"""What makes the weights and coefficients, from photographs that `manifests` lists to train or to fit.

Coefficients:
    calibrate              `scripts/calibrate`: the confidence of every rung, and the scaling of answers
    fitting                trials                      -> the rungs' logistic models
    fit_pose               `scripts/fit_pose`: the pose's coefficients, on cards of several worlds
    window_pairs           pictures                    -> cards in one window, trimmed or another one, measured
    window_report          measured pairs              -> how often crops are told, how far windows are off
    fit_mark               `scripts/fit_mark`: what reading and ink say of the issuer's mark
    fit_words              `scripts/fit_words`: what a line that was read on both cards says, and all of them
    fit_damage             `scripts/fit_damage`: by which damage is named
    damage_pairs           pictures                    -> cards hurt in one way, and the spots found on them
    platt_fit              rows of an evaluation       -> the scaling of answers' log odds
    recalibrate            a catalogue                 -> its own confidence (`platekin rehearse`)
    fit_reading            `scripts/fit_reading`: what the reader's findings are worth
    fit_detection          `scripts/fit_detection`: both of the next
    quad_fit               staged scenes               -> which quad is a card
    full_frame_fit         staged scenes               -> whether the full picture is one
    trees_onnx             boosted trees               -> the file that the product runs
    logistic_onnx          a model of either           -> the file that the product runs
    packed_weights         a network's file            -> the same in less than half the size
    reader_head            the library's reader        -> the same with fewer signs
    reader_lines           pictures, typefaces         -> lines as cards bear them, and what they say
    found_lines            `scripts/measure_lines`: how many lines are found, and by whom
    line_strips            pictures, typefaces         -> strips of cards, and where lines stand in them

Networks, which need PyTorch:
    begun_network          a network that was exported -> one that begins with its weights
    drawn_store_network    what was drawn              -> kept on the device, and the pace of learning
    train_change_detector  `scripts/train_change_detector`
    change_windows         registered pairs            -> batches of windows, varied anew
    change_network         batches                     -> where two pictures show different things
    train_forms            `scripts/train_forms`
    form_tiles             pictures and typefaces      -> lines in frames, cut out as the product cuts them
    form_network           tiles                       -> in which form a line stands
    train_letters          `scripts/train_letters`
    letter_pairs           pictures, typefaces         -> lines on two cards each, and where they differ
    letter_sheets          the same                    -> the same, drawn straight on two sheets
    letter_network         windows of lines            -> where letters differ
    train_movement         `scripts/train_movement`
    movement_sets          pictures                    -> sets of four drawn faces, endless
    movement_learning_network  sets                    -> the trained network
    movement_network       two registered faces        -> what has moved, and what is damaged
    train_odds             `scripts/train_odds`
    card_pairs             pictures                    -> pairs of whole cards, registered
    device_input_network   registered pairs            -> what the network is given of them
    odds_network           those                       -> what a pair is told by
    train_finder           `scripts/train_finder`
    finder_scenes          desks                       -> them as the network is given them, and each cell's truth
    finder_network         those                       -> what is inside a card, and its border
    train_reader           `scripts/train_reader`
    onnx_graph_network     an ONNX graph               -> a network that can learn on, and back
    reader_network         lines                       -> the library's reader, taught on
    train_lines            `scripts/train_lines`
    line_finder_network    strips                      -> the library's finder of lines, taught on
    train_orientation      `scripts/train_orientation`
    orientation_sides      photographs                 -> fronts and backs as cameras and outlines may give them
    orientation_views_network  those                   -> many of them seen otherwise at once
    orientation_network    batches                     -> which way up a card is, and front from back
"""
